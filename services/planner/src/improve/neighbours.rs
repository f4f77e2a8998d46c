//! Takes out one to eight whole cars that meet each other at people or bays.

use super::Search;
use crate::timeline::FACT;

/// Most cars at a time, usually and now and then: a few are put back sooner, many get out of deeper holes.
const FEW: f64 = 3.0;
const MANY: f64 = 8.0;

pub(super) fn pick(search: &mut Search) -> bool {
    let count = search.count_of_cars();
    let Some(first) = search.pick_car() else { return false };
    search.ruin.add_car(first);
    search.add_neighbours(count);
    true
}

impl Search<'_> {
    /// Draws how many cars to take out, fewer ones more often.
    pub(super) fn count_of_cars(&mut self) -> usize {
        let random = &mut self.schedule.random;
        let most = if random.chance(0.75) { FEW } else { MANY };
        let share = random.unit();
        (1 + (share * share * most) as usize).min(self.compiled.cars.len())
    }

    /// Returns a car that can be planned: a random one, or one that costs much more than it need to.
    pub(super) fn pick_car(&mut self) -> Option<usize> {
        let cars = self.compiled.cars.len();
        let tournament = if self.schedule.random.bits() & 1 == 0 { 1 } else { 4 };
        let mut best: Option<(usize, i64)> = None;
        for _ in 0..tournament {
            let car = self.schedule.random.below(cars);
            if !self.can_move(car) {
                continue;
            }
            let excess = self.schedule.price[car] - self.compiled.cars[car].least;
            if best.is_none_or(|(_, most)| excess > most) {
                best = Some((car, excess));
            }
        }
        best.map(|(car, _)| car)
    }

    pub(super) fn can_move(&self, car: usize) -> bool {
        let data = &self.compiled.cars[car];
        !data.operations.is_empty() && data.impossible.is_none()
    }

    /// Adds cars that stand next to those picked until there are `count`.
    pub(super) fn add_neighbours(&mut self, count: usize) {
        for _ in 0..40 {
            if self.ruin.cars.len() >= count {
                return;
            }
            let position = self.schedule.random.below(self.ruin.cars.len());
            let car = self.ruin.cars[position] as usize;
            let draw = self.schedule.random.unit();
            let neighbour = if draw < 0.1 || !self.schedule.planned[car] {
                Some(self.schedule.random.below(self.compiled.cars.len()))
            } else if draw < 0.55 {
                self.neighbour_by_person(car)
            } else {
                self.neighbour_by_bay(car)
            };
            if let Some(neighbour) = neighbour
                && self.can_move(neighbour)
            {
                self.ruin.add_car(neighbour);
            }
        }
    }

    /// Returns the car of an operation that somebody able to do one of `car` does at about the same time.
    fn neighbour_by_person(&mut self, car: usize) -> Option<usize> {
        let compiled = self.compiled;
        let random = &mut self.schedule.random;
        let operations = &compiled.cars[car].operations;
        let index = operations[random.below(operations.len())] as usize;
        let modes = compiled.modes_of(index);
        let own = random.bits() & 1 == 0;
        let mode = if own { usize::from(self.schedule.mode[index]) } else { random.below(modes.len()) };
        let people = compiled.people_of(&modes[mode]);
        if people.is_empty() {
            return None;
        }
        let person = usize::from(people[random.below(people.len())]);
        let taken = self.schedule.people[person].taken();
        let near = taken.partition_point(|taken| taken.start < self.schedule.start[index]);
        let position = (near + random.below(7)).checked_sub(3)?;
        let owner = taken.get(position)?.owner;
        (owner != FACT).then(|| compiled.operations[owner as usize].car as usize)
    }

    /// Returns the car of a visit that stands, at about the same time, where one of `car` may stand.
    fn neighbour_by_bay(&mut self, car: usize) -> Option<usize> {
        let compiled = self.compiled;
        let random = &mut self.schedule.random;
        let visits = &compiled.cars[car].visits;
        if visits.is_empty() {
            return None;
        }
        let visit = visits[random.below(visits.len())] as usize;
        let choices = compiled.choices_of(visit);
        let (bay, _) = choices[random.below(choices.len())];
        let taken = self.schedule.bays[usize::from(bay)].taken();
        let near = taken.partition_point(|taken| taken.start < self.schedule.stays[visit].start);
        let position = (near + random.below(5)).checked_sub(2)?;
        let owner = taken.get(position)?.owner;
        Some(compiled.visits[owner as usize].car as usize)
    }
}
