//! Takes out a car that costs much and the cars that stand in its way, and puts it back first.

use super::Search;
use crate::timeline::FACT;

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
    /// Returns the car whose work or visit ends last before an operation starts, on a person or in the bay that it takes.
    fn blocker(&mut self, index: usize) -> Option<usize> {
        let compiled = self.compiled;
        let start = self.schedule.start[index];
        let by_bay = self.schedule.random.bits() & 1 == 0;
        if by_bay && let Some(visit) = compiled.operations[index].visit {
            let choices = compiled.choices_of(visit as usize);
            let (bay, _) = choices[self.schedule.random.below(choices.len())];
            let taken = self.schedule.bays[usize::from(bay)].taken();
            let at = taken.partition_point(|taken| taken.start < self.schedule.stays[visit as usize].start);
            let owner = taken.get(at.checked_sub(1)?)?.owner;
            return Some(compiled.visits[owner as usize].car as usize);
        }
        let modes = compiled.modes_of(index);
        let mode = &modes[self.schedule.random.below(modes.len())];
        let people = compiled.people_of(mode);
        if people.is_empty() {
            return None;
        }
        let person = usize::from(people[self.schedule.random.below(people.len())]);
        let taken = self.schedule.people[person].taken();
        let at = taken.partition_point(|taken| taken.start < start);
        let owner = taken.get(at.checked_sub(1)?)?.owner;
        (owner != FACT).then(|| compiled.operations[owner as usize].car as usize)
    }
}
