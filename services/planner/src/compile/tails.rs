//! What an operation's end says about the end of its car, calendars of the crews included.

use super::{Compiled, NEVER, Step};

/// Ends are looked up so many steps apart.
const APART: usize = 8;

/// By operation and its end, rounded down: the earliest last end of its car if nobody and nothing else is in the way.
#[derive(Debug, Clone)]
pub struct Tails {
    width: usize,
    last: Vec<Step>,
}

impl Tails {
    /// Computes the table: O(operations x modes x horizon).
    pub(super) fn new(compiled: &Compiled) -> Tails {
        let width = compiled.clock.horizon as usize / APART + 1;
        let mut last = vec![0; width * compiled.operations.len()];
        for car in &compiled.cars {
            for &index in car.operations.iter().rev() {
                let row = index as usize * width;
                for cell in 0..width {
                    let end = (cell * APART) as Step;
                    last[row + cell] = end;
                    for link in compiled.links_of(compiled.operations[index as usize].after) {
                        let next = earliest_end(compiled, link.other as usize, end + link.min);
                        let beyond = (next as usize / APART).min(width - 1);
                        let tail = last[link.other as usize * width + beyond].max(next);
                        last[row + cell] = last[row + cell].max(tail.min(NEVER));
                    }
                }
            }
        }
        Tails { width, last }
    }

    /// Returns the earliest last end of the car of an operation that ends at `end`.
    #[inline]
    pub fn last_end(&self, operation: usize, end: Step) -> Step {
        self.last[operation * self.width + end as usize / APART].max(end)
    }
}

/// Returns the earliest end of an operation that starts at `from` or later.
fn earliest_end(compiled: &Compiled, index: usize, from: Step) -> Step {
    if from >= compiled.clock.horizon {
        return compiled.clock.horizon;
    }
    let operation = &compiled.operations[index];
    let ends = compiled
        .modes_of(index)
        .iter()
        .map(|mode| compiled.calendars[mode.calendar as usize].first(from, mode.length, operation.interruptible).1);
    ends.min().unwrap_or(NEVER).min(compiled.clock.horizon)
}

#[cfg(test)]
mod tests {
    use crate::compile::Compiled;
    use crate::construct;
    use crate::random::Random;
    use crate::schedule::Schedule;

    #[test]
    fn no_plan_is_complete_before_its_tails() {
        let mut tight = 0;
        for seed in 0..60 {
            let problem = crate::testing::problem(seed);
            let compiled = Compiled::new(&problem);
            let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
            construct::construct(&mut schedule, construct::RULES[0]);
            for (index, operation) in
                compiled.operations.iter().enumerate().filter(|(index, _)| schedule.placed[*index])
            {
                let last = compiled.tails().last_end(index, schedule.end[index]);
                let completion = schedule.completion(operation.car as usize);
                assert!(last <= completion, "seed {seed}: {last} is after {completion}");
                tight += usize::from(last == completion);
            }
        }
        assert!(tight > 50, "only {tight} tails say all");
    }
}
