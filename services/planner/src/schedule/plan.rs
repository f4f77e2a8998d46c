//! Between schedules and plans.

use fitup_model::keyed::{CarId, Key, OperationId, TechnicianId, VisitId};
use fitup_model::{Assignment, Plan};

use super::{Saved, Schedule};
use crate::compile::{Mode, NEVER, price};

impl Schedule<'_> {
    /// Returns the plan.
    pub fn to_plan(&self) -> Plan {
        let compiled = self.compiled;
        let mut plan = Plan::nothing_new(compiled.problem);
        for (index, car) in compiled.cars.iter().enumerate() {
            if !self.planned[index] {
                continue;
            }
            for &operation in &car.operations {
                let operation = operation as usize;
                let mode = &compiled.modes_of(operation)[usize::from(self.mode[operation])];
                let people = compiled.people_of(mode).iter();
                plan.operations[OperationId::from_index(operation)] = Some(Assignment {
                    start: compiled.clock.time(self.start[operation]),
                    end: compiled.clock.time(self.end[operation]),
                    technicians: people.map(|&person| TechnicianId::from_index(usize::from(person))).collect(),
                    overtime: mode.overtime,
                });
            }
            for &visit in &car.visits {
                let bay = Key::from_index(usize::from(self.stays[visit as usize].bay));
                plan.bays[VisitId::from_index(visit as usize)] = Some(bay);
            }
        }
        plan
    }

    /// Has each visit that has begun hold its bay for as long as in `plan` only, where it can, so that cars which come
    /// into it afterwards find room before its own car is placed.
    pub fn hold_as_in(&mut self, plan: &Plan) {
        for visit in 0..self.stays.len() {
            let data = &self.compiled.visits[visit];
            let goes_on = data.fact.is_some() && !data.operations.is_empty() && self.stays[visit].shown.is_some();
            if goes_on && !self.choose_bay(visit, plan) {
                self.reopen(visit);
            }
        }
    }

    /// Places a car exactly as in `plan`, if that keeps every rule beside what stands already.
    pub fn place_as_in(&mut self, car: usize, plan: &Plan, scratch: &mut Saved) -> bool {
        let compiled = self.compiled;
        if self.planned[car]
            || compiled.cars[car].impossible.is_some()
            || !plan.includes(compiled.problem, CarId::from_index(car))
        {
            return false;
        }
        scratch.clear();
        self.take_out(car, scratch);
        let mut good = self.choose_bays(car, plan);
        for &index in &compiled.cars[car].operations {
            good = good && self.place_one_as_in(index as usize, plan);
        }
        good = good && compiled.cars[car].visits.iter().all(|&visit| self.keeps_apart(car, visit as usize));
        if good {
            self.planned[car] = true;
            self.price[car] = self.car_price(car);
        } else {
            self.put_back(scratch);
        }
        good
    }

    /// Gives each visit of a car the bay of `plan`, if it is free from its first start to its last end there.
    fn choose_bays(&mut self, car: usize, plan: &Plan) -> bool {
        let visits = &self.compiled.cars[car].visits;
        let has_begun = |&&visit: &&u32| self.compiled.visits[visit as usize].fact.is_some();
        // Visits that have begun hold too much as yet.
        let (begun, others): (Vec<u32>, Vec<u32>) = visits.iter().partition(has_begun);
        begun.into_iter().chain(others).all(|visit| self.choose_bay(visit as usize, plan))
    }

    fn choose_bay(&mut self, visit: usize, plan: &Plan) -> bool {
        let compiled = self.compiled;
        let id = VisitId::from_index(visit);
        if compiled.visits[visit].operations.is_empty() {
            return true;
        }
        let (Some(bay), Some(stay)) = (plan.bays[id], plan.occupation(compiled.problem, id)) else { return false };
        let (mut start, end) = (compiled.clock.ceil(stay.start()), compiled.clock.ceil(stay.end()));
        let bay = bay.index() as u16;
        if compiled.visits[visit].fact.is_some() {
            start = self.stays[visit].start;
            self.hide(visit);
        } else if start < 0 {
            return false;
        }
        if end > compiled.clock.horizon || compiled.choices_of(visit).iter().all(|(own, _)| *own != bay) {
            return false;
        }
        let Ok((lower, upper)) = self.gap(visit, bay, start.max(0), end.max(0)) else { return false };
        let stay = &mut self.stays[visit];
        (stay.bay, stay.lower, stay.upper) = (bay, lower, upper);
        // Held from the beginning, so that another visit of the car does not take the same bay.
        self.show(visit, start, end);
        true
    }

    fn place_one_as_in(&mut self, index: usize, plan: &Plan) -> bool {
        let compiled = self.compiled;
        let Some(assignment) = &plan.operations[OperationId::from_index(index)] else { return false };
        let operation = &compiled.operations[index];
        let people = assignment.technicians.iter().map(|person| person.index());
        let modes = compiled.modes_of(index);
        let same_people =
            |mode: &Mode| compiled.people_of(mode).iter().map(|&person| usize::from(person)).eq(people.clone());
        let as_published = |mode: &Mode| mode.overtime == assignment.overtime && same_people(mode);
        // What may be worked in overtime may lie in regular hours as a whole, where no overtime is open any more.
        let found = modes.iter().position(as_published).or_else(|| modes.iter().position(same_people));
        let Some(position) = found else { return false };
        let mode = &compiled.modes_of(index)[position];
        let start = compiled.clock.ceil(assignment.start);
        let fits = start >= operation.earliest
            && start <= operation.latest
            && start < NEVER
            && compiled.clock.minute(start) == assignment.start.minutes()
            && compiled.links_of(operation.before).iter().all(|link| {
                let end = self.end[link.other as usize];
                end + link.min <= start && start <= end + link.max
            });
        if !fits || start > compiled.clock.horizon {
            return false;
        }
        let (first, end) =
            compiled.calendars[mode.calendar as usize].first(start, mode.length, operation.interruptible);
        let same_end = mode.overtime == assignment.overtime || compiled.clock.time(end) == assignment.end;
        if first != start || end > compiled.clock.horizon || !same_end {
            return false;
        }
        let free = compiled
            .people_of(mode)
            .iter()
            .all(|&person| self.people[usize::from(person)].free_from(start, end) == start)
            && compiled.needs_of(index).iter().all(|&(pool, pieces)| {
                start == end || self.stocks[usize::from(pool)].free_from(start, end, pieces) == start
            });
        let wished = operation.again.filter(|again| again.price.is_none()).is_none_or(|again| {
            let other = again.operation as usize;
            price::shares_person(compiled, mode, other, self.mode[other])
        });
        let in_bay = operation.visit.is_none_or(|visit| {
            let stay = self.stays[visit as usize];
            end <= stay.upper && (start >= stay.lower || start >= stay.start)
        });
        if !free || !wished || !in_bay {
            return false;
        }
        self.put(index, start, end, position);
        if let Some(visit) = operation.visit {
            self.grow(visit as usize, start, end);
        }
        true
    }

    /// Tells whether a visit overlaps no other on-vehicle visit of its car.
    fn keeps_apart(&self, car: usize, visit: usize) -> bool {
        let compiled = self.compiled;
        let own = self.stays[visit];
        !compiled.visits[visit].on_vehicle
            || compiled.cars[car].visits.iter().map(|&other| other as usize).all(|other| {
                let sibling = self.stays[other];
                other == visit
                    || !compiled.visits[other].on_vehicle
                    || compiled.visits[other].operations.is_empty() && compiled.visits[visit].operations.is_empty()
                    || sibling.end <= own.start
                    || own.end <= sibling.start
            })
    }
}
