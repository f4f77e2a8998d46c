//! Takes out a car that costs much and the cars that stand in its way, and puts it back first.

use super::Search;
use crate::compile::Step;
use crate::random::Random;
use crate::timeline::{FACT, Taken};

/// Most cars at a time, the first one included.
const MOST: usize = 6;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    if !search.schedule.planned[first] {
        return false;
    }
    let compiled = search.compiled;
    search.ruin.add_car(first);
    let operations = &compiled.cars[first].operations;
    let count = 2 + search.schedule.random.below(MOST - 1);
    for _ in 0..3 * count {
        if search.ruin.cars.len() >= count {
            break;
        }
        let index = operations[search.schedule.random.below(operations.len())] as usize;
        if let Some(car) = search.blocker(index)
            && search.can_move(car)
        {
            search.ruin.add_car(car);
        }
    }
    if search.ruin.cars.len() < 2 {
        return false;
    }
    search.keep_first = true;
    true
}

impl Search<'_> {
    /// Returns a car that keeps an operation from starting earlier, on a person or in a bay that it may take: the last one
    /// before its start, or the one that is there at some moment from which on it could have been done.
    pub(super) fn blocker(&mut self, index: usize) -> Option<usize> {
        let compiled = self.compiled;
        let random = &mut self.schedule.random;
        let at_its_start = random.bits() & 1 == 0;
        let by_bay = random.bits() & 1 == 0;
        let early = compiled.operations[index].head;
        if by_bay && let Some(visit) = compiled.operations[index].visit {
            let choices = compiled.choices_of(visit as usize);
            let (bay, _) = choices[random.below(choices.len())];
            let start = self.schedule.stays[visit as usize].start;
            let moment = if at_its_start { start } else { moment_between(early, start, random) };
            let owner = holder(self.schedule.bays[usize::from(bay)].taken(), moment, at_its_start)?;
            return Some(compiled.visits[owner as usize].car as usize);
        }
        let modes = compiled.modes_of(index);
        let mode = &modes[random.below(modes.len())];
        let people = compiled.people_of(mode);
        if people.is_empty() {
            return None;
        }
        let person = usize::from(people[random.below(people.len())]);
        let start = self.schedule.start[index];
        let moment = if at_its_start { start } else { moment_between(early, start, random) };
        let owner = holder(self.schedule.people[person].taken(), moment, at_its_start)?;
        (owner != FACT).then(|| compiled.operations[owner as usize].car as usize)
    }
}

fn moment_between(from: Step, until: Step, random: &mut Random) -> Step {
    from + random.below((until - from).max(0) as usize + 1) as Step
}

/// Returns who holds something at `moment`, or with `last` who held it last before.
fn holder(taken: &[Taken], moment: Step, last: bool) -> Option<u32> {
    let at = taken.partition_point(|taken| taken.start < moment + Step::from(!last));
    let taken = taken.get(at.checked_sub(1)?)?;
    (last || taken.end > moment).then_some(taken.owner)
}
