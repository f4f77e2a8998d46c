//! The room outside: the one part of the price that is not a sum over cars.

use fitup_model::Cost;

use super::Schedule;
use crate::compile::{Compiled, price};

/// Scratch space, and what never changes.
#[derive(Debug, Clone)]
pub(super) struct Outside {
    steps: Vec<(i64, i64)>,
    matters: bool,
}

impl Outside {
    pub(super) fn new(compiled: &Compiled) -> Outside {
        let matters = compiled.problem.outside.is_some_and(|outside| outside.weight > 0) && !compiled.is_makespan();
        let most = if matters { 2 * (compiled.cars.len() + compiled.visits.len()) } else { 0 };
        Outside { steps: Vec::with_capacity(most), matters }
    }
}

impl Schedule<'_> {
    /// Tells whether cars in no bay may cost something.
    pub fn has_outside(&self) -> bool {
        self.outside.matters
    }

    /// Returns the price of cars in no bay beyond the room outside; O(n log n) in the visits of the shop.
    pub fn outside_price(&mut self) -> Cost {
        let (compiled, problem) = (self.compiled, self.compiled.problem);
        let Some(room) = problem.outside.filter(|_| self.outside.matters) else { return 0 };
        let mut steps = std::mem::take(&mut self.outside.steps);
        steps.clear();
        let mut add = |from: i64, until: i64, change: i64| {
            if from < until {
                steps.extend([(from, change), (until, -change)]);
            }
        };
        for (index, car) in compiled.cars.iter().enumerate() {
            let from = car.arrival.max(problem.now.minutes());
            let until = match self.planned[index] {
                true if car.operations.is_empty() => car.fact_end,
                true => price::completion(compiled, index, self.completion(index)),
                false => problem.horizon.minutes(),
            };
            add(from, until, 1);
            for &visit in &car.visits {
                let visit = visit as usize;
                if compiled.visits[visit].on_vehicle
                    && let Some((start, end)) = self.stay_minutes(visit)
                {
                    add(start.max(from), end.min(until), -1);
                }
            }
        }
        steps.sort_unstable();
        let (mut cost, mut count, mut last) = (0, 0, 0);
        for &(time, change) in &steps {
            let excess = (count - i64::from(room.limit)).max(0);
            cost += room.weight * excess * (time - last).max(0);
            (count, last) = (count + change, time);
        }
        self.outside.steps = steps;
        cost
    }

    /// Returns the minutes from the first start to the last end in a visit, facts exactly.
    pub(super) fn stay_minutes(&self, visit: usize) -> Option<(i64, i64)> {
        let (compiled, stay) = (self.compiled, self.stays[visit]);
        if compiled.visits[visit].fact.is_none() {
            let placed = stay.placed > 0;
            return placed.then(|| (compiled.clock.minute(stay.start), compiled.clock.minute(stay.end)));
        }
        let id = fitup_model::keyed::Key::from_index(visit);
        let facts = compiled.problem.operations_in(id).iter().filter_map(|&id| {
            match compiled.problem.operations[id].commitment {
                fitup_model::problem::Commitment::Started { start, end, .. } => Some((start.minutes(), end.minutes())),
                _ => None,
            }
        });
        let planned = compiled.visits[visit].operations.iter().map(|&index| index as usize);
        let planned = planned.filter(|&index| self.placed[index]);
        let planned =
            planned.map(|index| (compiled.clock.minute(self.start[index]), compiled.clock.minute(self.end[index])));
        facts.chain(planned).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }
}
