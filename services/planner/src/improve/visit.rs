//! Takes out whole visits of cars that meet in a bay, so that they may change bays or their order.

use super::Search;

pub(super) fn pick(search: &mut Search) -> bool {
    let Some(first) = search.pick_car() else { return false };
    let compiled = search.compiled;
    let visits = &compiled.cars[first].visits;
    if !search.schedule.planned[first] || visits.is_empty() {
        return false;
    }
    let visit = visits[search.schedule.random.below(visits.len())];
    let start = search.schedule.stays[visit as usize].start;
    let followers = search.schedule.random.bits() & 1 == 0;
    let within =
        |visit: u32| move |search: &Search, index: usize| search.compiled.operations[index].visit == Some(visit);
    search.add_part(first, followers, within(visit));
    let choices = compiled.choices_of(visit as usize);
    for _ in 0..1 + search.schedule.random.below(3) {
        let (bay, _) = choices[search.schedule.random.below(choices.len())];
        let taken = search.schedule.bays[usize::from(bay)].taken();
        let near = taken.partition_point(|taken| taken.start < start);
        let Some(position) = (near + search.schedule.random.below(3)).checked_sub(1) else { continue };
        if let Some(other) = search.schedule.bays[usize::from(bay)].taken().get(position) {
            let car = compiled.visits[other.owner as usize].car as usize;
            search.add_part(car, followers, within(other.owner));
        }
    }
    !search.ruin.parts.is_empty() || !search.ruin.cars.is_empty()
}
