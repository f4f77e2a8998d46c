//! Heads, tails, spans and kinds: what follows from the data of each car alone.

use fitup_model::keyed::{BayId, Key, TechnicianId};
use fitup_model::problem::{BayChoice, Commitment};

use super::{Compiled, NEVER, Step, price};

impl Compiled<'_> {
    /// Fills in heads and tails of operations, spans of visits and the least price of each car.
    pub(super) fn find_heads_and_tails(&mut self) {
        for car in 0..self.cars.len() {
            self.find_heads_of(car);
        }
        for visit in 0..self.visits.len() {
            self.visits[visit].span = self.span_of(visit);
        }
    }

    /// Does the same for some cars only; `visits` are theirs.
    pub(super) fn find_heads_and_tails_of(&mut self, cars: &[usize], visits: &[usize]) {
        for &car in cars {
            self.find_heads_of(car);
        }
        for &visit in visits {
            self.visits[visit].span = self.span_of(visit);
        }
    }

    fn find_heads_of(&mut self, car: usize) {
        let order = self.cars[car].operations.clone();
        // Where all has happened, perhaps before the origin, facts alone count.
        let mut completion = if order.is_empty() { Step::MIN / 2 } else { 0 };
        for &index in &order {
            let (start, end) = self.earliest(index as usize);
            self.operations[index as usize].head = start;
            completion = completion.max(end);
        }
        for &index in order.iter().rev() {
            let operation = &self.operations[index as usize];
            let after = self.links_of(operation.after).iter();
            let rest = after.map(|link| link.min + self.operations[link.other as usize].tail).max().unwrap_or(0);
            self.operations[index as usize].tail = self.operations[index as usize].shortest + rest.max(0);
        }
        self.cars[car].tail = order.iter().map(|&index| self.operations[index as usize].tail).max().unwrap_or(0);
        self.cars[car].least = price::of_completion(self, car, completion.min(self.clock.horizon));
    }

    /// Returns the earliest start and the earliest end of an operation by its links; [`NEVER`] if it has none.
    fn earliest(&self, index: usize) -> (Step, Step) {
        let operation = &self.operations[index];
        let mut from = operation.earliest;
        for link in self.links_of(operation.before) {
            let end = self.earliest_end(link.other as usize);
            from = from.max(end.saturating_add(link.min)).min(NEVER);
        }
        let (mut start, mut end) = (NEVER, NEVER);
        for mode in self.modes_of(index) {
            let own = self.calendars[mode.calendar as usize].first(from, mode.length, operation.interruptible);
            (start, end) = (start.min(own.0), end.min(own.1));
        }
        (start, end)
    }

    /// Returns the earliest end of an operation whose head is known; [`NEVER`] if it has none.
    pub fn earliest_end(&self, index: usize) -> Step {
        let operation = &self.operations[index];
        let ends = self.modes_of(index).iter().map(|mode| {
            self.calendars[mode.calendar as usize].first(operation.head, mode.length, operation.interruptible).1
        });
        ends.min().unwrap_or(NEVER).min(NEVER)
    }

    /// Returns the longest chain of shortest lengths and waits between the first start and the last end in a visit.
    fn span_of(&self, visit: usize) -> Step {
        let within = &self.visits[visit].operations;
        let mut reached: Vec<(u32, Step)> = Vec::new();
        let mut span = 0;
        for &index in &self.cars[self.visits[visit].car as usize].operations {
            let own = within.contains(&index);
            let operation = &self.operations[index as usize];
            let before = self.links_of(operation.before).iter().filter_map(|link| {
                let (_, end) = reached.iter().find(|(other, _)| *other == link.other)?;
                Some(end + link.min)
            });
            let from = before.max();
            if own || from.is_some() {
                let end = from.unwrap_or(0).max(if own { 0 } else { Step::MIN }) + operation.shortest;
                reached.push((index, end));
                if own {
                    span = span.max(end);
                }
            }
        }
        span
    }

    /// Numbers the kinds of bays and technicians.
    pub(super) fn find_kinds(&mut self) {
        let problem = self.problem;
        let singled_out = |bay: BayId| {
            problem.visits.values().any(|visit| {
                visit.published.is_some_and(|published| published.bay == bay)
                    || matches!(visit.bay, BayChoice::Pinned(own) | BayChoice::Entered(own) if own == bay)
            })
        };
        let mut kinds: Vec<BayId> = Vec::new();
        for (id, bay) in problem.bays.iter() {
            let alike = |other: &&BayId| {
                let (own, other_bay) = (&bay.classes, &problem.bays[**other]);
                let same_classes = own.iter().all(|class| other_bay.classes.contains(class))
                    && other_bay.classes.iter().all(|class| own.contains(class));
                same_classes
                    && self.bay_calendar[id.index()] == self.bay_calendar[other.index()]
                    && !singled_out(id)
                    && !singled_out(**other)
            };
            let known = kinds.iter().find(alike).map(|other| self.bay_kind[other.index()]);
            self.bay_kind.push(known.unwrap_or(kinds.len() as u32));
            if known.is_none() {
                kinds.push(id);
            }
        }
        let named = |person: TechnicianId| {
            problem.operations.values().any(|operation| {
                operation.published.as_ref().is_some_and(|published| published.technicians.contains(&person))
                    || match &operation.commitment {
                        Commitment::Free => false,
                        Commitment::Pinned { technicians, .. } => {
                            technicians.as_ref().is_some_and(|people| people.contains(&person))
                        }
                        Commitment::Started { technicians, .. } => technicians.contains(&person),
                    }
            })
        };
        let mut kinds: Vec<TechnicianId> = Vec::new();
        for (id, technician) in problem.technicians.iter() {
            let alike = |other: &&TechnicianId| {
                let other_technician = &problem.technicians[**other];
                let mut skills = [technician.skills.clone(), other_technician.skills.clone()];
                skills.iter_mut().for_each(|skills| skills.sort_unstable());
                skills[0] == skills[1]
                    && technician.calendar == other_technician.calendar
                    && technician.with_overtime == other_technician.with_overtime
                    && !named(id)
                    && !named(**other)
            };
            let known = kinds.iter().find(alike).map(|other| self.technician_kind[other.index()]);
            self.technician_kind.push(known.unwrap_or(kinds.len() as u32));
            if known.is_none() {
                kinds.push(id);
            }
        }
    }
}
