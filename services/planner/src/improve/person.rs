//! Takes out single operations of cars that meet at a person, so that others may do them.

use super::Search;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    if !search.schedule.planned[first] {
        return false;
    }
    let compiled = search.compiled;
    let random = &mut search.schedule.random;
    let operations = &compiled.cars[first].operations;
    let index = operations[random.below(operations.len())] as usize;
    let moment = search.schedule.start[index];
    search.add_part(first, false, |_, other| other == index);
    // Another car's operation at about the same time.
    for _ in 0..search.schedule.random.below(3) {
        let Some(other) = search.pick_car() else { break };
        let near = |search: &Search, index: usize| {
            let (start, end) = (search.schedule.start[index], search.schedule.end[index]);
            start <= moment && moment < end
        };
        if search.schedule.planned[other] {
            search.add_part(other, false, near);
        }
    }
    !search.ruin.parts.is_empty() || !search.ruin.cars.is_empty()
}
