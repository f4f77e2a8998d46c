//! Which cars are freed: a dear one and those that it meets.

use crate::random::Random;
use crate::schedule::Schedule;

/// Of so many cars the one is taken that costs most above its least.
const TOURNAMENT: usize = 3;

/// What cars meet at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum At {
    /// Some moment.
    Time,
    /// People who could do an operation, at about its time.
    People,
    /// Bays that a visit could be in, at about its time.
    Bay,
}

/// Returns `count` cars, or as many as there are, that are planned and can be moved; none if there are none.
pub(super) fn cars(schedule: &Schedule, random: &mut Random, count: usize) -> Vec<usize> {
    let compiled = schedule.compiled;
    let can_move = |car: &usize| {
        let data = &compiled.cars[*car];
        schedule.planned[*car] && !data.operations.is_empty() && data.impossible.is_none()
    };
    let all: Vec<usize> = (0..compiled.cars.len()).filter(can_move).collect();
    if all.is_empty() {
        return Vec::new();
    }
    let excess = |car: usize| schedule.price[car] - compiled.cars[car].least;
    let entries = if random.bits() & 1 == 0 { 1 } else { TOURNAMENT };
    let drawn = (0..entries).map(|_| all[random.below(all.len())]);
    let Some(first) = drawn.max_by_key(|&car| excess(car)) else { return Vec::new() };
    let operations = &compiled.cars[first].operations;
    let index = operations[random.below(operations.len())] as usize;
    let moment = schedule.start[index];
    let at = [At::Time, At::People, At::Bay][random.below(3)];
    // How far each other car is from the moment, by what it could meet the first one at.
    let distance = |car: usize| {
        let meets = |&&other: &&u32| match at {
            At::Time => true,
            At::People => share_people(schedule, index, other as usize),
            At::Bay => share_bay(schedule, index, other as usize),
        };
        let apart = |other: &u32| {
            let (start, end) = (schedule.start[*other as usize], schedule.end[*other as usize]);
            (start - moment).max(moment - end).max(0)
        };
        compiled.cars[car].operations.iter().filter(meets).map(apart).min()
    };
    let mut others: Vec<(i32, usize)> =
        all.iter().filter(|&&car| car != first).map(|&car| (distance(car).unwrap_or(i32::MAX), car)).collect();
    others.sort_unstable();
    let mut cars = vec![first];
    while cars.len() < count && !others.is_empty() {
        // Nearer ones more often.
        let share = random.unit();
        let among = others.len().min(3 * count);
        cars.push(others.remove((share * share * among as f64) as usize).1);
    }
    cars
}

fn share_people(schedule: &Schedule, one: usize, two: usize) -> bool {
    let compiled = schedule.compiled;
    let people = |index: usize| compiled.modes_of(index).iter().flat_map(|mode| compiled.people_of(mode));
    people(one).any(|person| people(two).any(|other| other == person))
}

fn share_bay(schedule: &Schedule, one: usize, two: usize) -> bool {
    let compiled = schedule.compiled;
    let visit = |index: usize| compiled.operations[index].visit.map(|visit| visit as usize);
    let (Some(one), Some(two)) = (visit(one), visit(two)) else { return false };
    compiled.choices_of(one).iter().any(|(bay, _)| compiled.choices_of(two).iter().any(|(other, _)| other == bay))
}
