//! Moves the operations of a car later where that costs it nothing: as late as what comes after them allows, each with
//! the people and in the bay that it has.
//!
//! Justification to the right, Valls, Ballestin and Quintanilla (2005), doi:10.1016/j.ejor.2004.04.008, of one car.

use super::Schedule;
use crate::compile::Step;

/// How often an operation looks for a place.
const TRIES: u32 = 40;

impl Schedule<'_> {
    /// Moves all operations of `car`, which is planned, as late as its completion and its own order allow.
    pub fn move_later(&mut self, car: usize) {
        let compiled = self.compiled;
        let completion = self.completion(car);
        for &index in compiled.cars[car].operations.iter().rev() {
            self.move_operation_later(index as usize, completion);
        }
    }

    fn move_operation_later(&mut self, index: usize, completion: Step) {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let (start, end) = (self.start[index], self.end[index]);
        let after = compiled.links_of(operation.after).iter();
        let until = after.fold(completion, |until, link| until.min(self.start[link.other as usize] - link.min));
        let before = compiled.links_of(operation.before).iter();
        let latest = before.fold(operation.latest, |latest, link| latest.min(self.end[link.other as usize] + link.max));
        if start == end || until <= end || latest <= start {
            return;
        }
        let mode = usize::from(self.mode[index]);
        self.lift(index);
        let Some(visit) = operation.visit else {
            let (start, end) = self.last_slot(index, start, latest, until, None).unwrap_or((start, end));
            return self.put(index, start, end, mode);
        };
        let visit = visit as usize;
        let until = until.min(self.next_sibling(visit));
        self.hide(visit);
        self.stays[visit].placed -= 1;
        let alone = self.stays[visit].placed == 0 && compiled.visits[visit].fact.is_none();
        let place = if alone {
            self.last_slot(index, start, latest, until, Some(visit))
        } else {
            self.measure(visit);
            let stay = self.stays[visit];
            let from = stay.start.max(0);
            match self.gap(visit, stay.bay, from, stay.end.max(from)) {
                Ok((_, upper)) => self.last_slot(index, start, latest, until.min(upper), None),
                Err(_) => None,
            }
        };
        let (start, end) = place.unwrap_or((start, end));
        self.put(index, start, end, mode);
        self.stays[visit].placed += 1;
        self.measure(visit);
        self.show_as_needed(visit);
    }

    /// Returns the start of the car's next on-vehicle visit after this one.
    fn next_sibling(&self, visit: usize) -> Step {
        let data = &self.compiled.visits[visit];
        let own = self.stays[visit];
        let siblings = self.compiled.cars[data.car as usize].visits.iter().map(|&other| other as usize);
        let after = siblings.filter(|&other| {
            let stay = &self.stays[other];
            data.on_vehicle && self.compiled.visits[other].on_vehicle && other != visit && stay.start >= own.end
        });
        after.map(|other| self.stays[other].start).min().unwrap_or(self.compiled.clock.horizon)
    }

    /// Returns the last place of a lifted operation in its mode that starts after `start` and ends by `until`; with
    /// `alone` its visit is the operation, and the bay must be free.
    fn last_slot(
        &self,
        index: usize,
        start: Step,
        latest: Step,
        mut until: Step,
        alone: Option<usize>,
    ) -> Option<(Step, Step)> {
        let compiled = self.compiled;
        let operation = &compiled.operations[index];
        let mode = &compiled.modes_of(index)[usize::from(self.mode[index])];
        let calendar = &compiled.calendars[mode.calendar as usize];
        for _ in 0..TRIES {
            let (from, end) = calendar.last(until, mode.length, operation.interruptible)?;
            if from <= start {
                return None;
            }
            until = if from > latest {
                until - (from - latest)
            } else if let Some(taken) = self.crew_taken(index, from, end) {
                taken
            } else if self.pools_free_from(index, from, end) > from {
                end - 1
            } else if let Some(visit) =
                alone.filter(|&visit| self.gap(visit, self.stays[visit].bay, from, end).is_err())
            {
                let taken = self.bays[usize::from(self.stays[visit].bay)].taken();
                let next = taken.get(self.bays[usize::from(self.stays[visit].bay)].after(from));
                next.map_or(end - 1, |next| next.start.min(end - 1))
            } else {
                return Some((from, end));
            };
        }
        None
    }

    /// Returns the start of what somebody of the crew does within `[from, until)`, the earliest one.
    fn crew_taken(&self, index: usize, from: Step, until: Step) -> Option<Step> {
        let mode = &self.compiled.modes_of(index)[usize::from(self.mode[index])];
        let people = self.compiled.people_of(mode).iter();
        let first = people.filter_map(|&person| {
            let line = &self.people[usize::from(person)];
            line.taken().get(line.after(from)).filter(|taken| taken.start < until).map(|taken| taken.start)
        });
        first.min()
    }
}

#[cfg(test)]
mod tests {
    use fitup_model::check;

    use crate::compile::Compiled;
    use crate::construct;
    use crate::random::Random;
    use crate::schedule::Schedule;

    #[test]
    fn cars_become_later_at_no_cost_and_by_the_rules() {
        let mut moved = 0;
        for seed in 0..60 {
            let problem = crate::testing::problem(seed);
            let compiled = Compiled::new(&problem);
            let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
            construct::construct(&mut schedule, construct::RULES[0]);
            let (before, starts) = (schedule.to_plan(), schedule.start.clone());
            for car in (0..compiled.cars.len()).filter(|&car| schedule.planned[car]).collect::<Vec<_>>() {
                let completion = schedule.completion(car);
                schedule.move_later(car);
                assert_eq!(schedule.completion(car), completion);
            }
            let plan = schedule.to_plan();
            assert_eq!(check(&problem, &plan).len(), check(&problem, &before).len(), "seed {seed}");
            let later = schedule.start.iter().zip(&starts);
            assert!(later.clone().all(|(now, then)| now >= then), "seed {seed}");
            moved += later.filter(|(now, then)| now > then).count();
        }
        assert!(moved > 10, "only {moved} operations became later");
    }
}
