//! Takes out all that starts, on some people or in some bays, within a stretch of time.

use super::Search;
use crate::timeline::FACT;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    if !search.schedule.planned[first] {
        return false;
    }
    let compiled = search.compiled;
    let random = &mut search.schedule.random;
    let operations = &compiled.cars[first].operations;
    let index = operations[random.below(operations.len())] as usize;
    let middle = search.schedule.start[index];
    // Some neighbours in time on the people who are able to do this operation.
    let modes = compiled.modes_of(index);
    let count = 1 + random.below(3).min(modes.len() - 1);
    let reach = 1 + random.below(4);
    let followers = random.bits() & 1 == 0;
    for number in 0..count {
        let position = match number {
            0 => usize::from(search.schedule.mode[index]),
            _ => search.schedule.random.below(modes.len()),
        };
        for &person in compiled.people_of(&modes[position]) {
            let taken = search.schedule.people[usize::from(person)].taken();
            let near = taken.partition_point(|taken| taken.start < middle);
            for position in near.saturating_sub(reach)..(near + reach).min(taken.len()) {
                let owner = search.schedule.people[usize::from(person)].taken()[position].owner;
                if owner != FACT {
                    let car = compiled.operations[owner as usize].car as usize;
                    search.add_part(car, followers, |_, other| other == owner as usize);
                }
            }
        }
    }
    search.add_part(first, followers, |_, other| other == index);
    !search.ruin.parts.is_empty() || !search.ruin.cars.is_empty()
}
