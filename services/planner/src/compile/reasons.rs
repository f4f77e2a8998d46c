//! Why a car can never be planned, and what else is known of cars once their operations are complete.

use fitup_model::keyed::{BayClassId, Key, OperationId, TechnicianId, VisitId};
use fitup_model::problem::{BayChoice, Commitment};

use super::Compiled;
use crate::outcome::LeftOutReason;

impl Compiled<'_> {
    /// Fills in what depends on everything else about a car.
    pub(super) fn finish_cars(&mut self) {
        for car in 0..self.cars.len() {
            let mut extras = self.cars[car].visits.iter().any(|&visit| {
                let visit = visit as usize;
                self.choices_of(visit).iter().any(|(_, price)| *price != 0)
            });
            let mut wishes = Vec::new();
            for &id in self.problem.operations_of(Key::from_index(car)) {
                let operation = &self.operations[id.index()];
                let wish = operation.again.filter(|again| again.price.is_some());
                if operation.is_fact {
                    // Between facts the wish is sunk.
                    let open = wish.filter(|again| !self.operations[again.operation as usize].is_fact);
                    wishes.extend(open.map(|_| id.index() as u32));
                    continue;
                }
                extras |= wish.is_some() || operation.published_day.is_some();
                extras |= self.modes_of(id.index()).iter().any(|mode| mode.change != 0 || mode.overtime);
            }
            let impossible = self.impossible(car);
            let car = &mut self.cars[car];
            car.has_extras = extras || !wishes.is_empty();
            car.fact_wishes = wishes;
            car.impossible = impossible;
        }
    }

    fn impossible(&self, car: usize) -> Option<LeftOutReason> {
        let visits = self.cars[car].visits.iter();
        let of_visit = visits.filter_map(|&visit| self.impossible_visit(visit as usize)).next();
        let operations = self.cars[car].operations.iter();
        of_visit.or_else(|| operations.filter_map(|&index| self.impossible_operation(index as usize)).next())
    }

    fn impossible_visit(&self, index: usize) -> Option<LeftOutReason> {
        let visit = VisitId::from_index(index);
        if self.contradicts_facts(index) {
            let operation = OperationId::from_index(self.visits[index].operations[0] as usize);
            return Some(LeftOutReason::Contradiction { operation });
        }
        if !self.visits[index].bays.is_empty()
            || self.visits[index].operations.is_empty() && self.visits[index].fact.is_none()
        {
            return None;
        }
        Some(match self.problem.visits[visit].bay {
            BayChoice::Pinned(bay) => LeftOutReason::PinnedBay { visit, bay },
            BayChoice::Free | BayChoice::Entered(_) => LeftOutReason::NoBay { visit },
        })
    }

    /// Tells whether a visit has begun and is to go on while another one is still running in its bay, or on its car; or is
    /// to go on as well, on its car.
    ///
    /// The visit would hold its bay from then to after now, and now is when the other one holds it too.
    fn contradicts_facts(&self, index: usize) -> bool {
        let own = &self.visits[index];
        if own.fact.is_none() || own.operations.is_empty() {
            return false;
        }
        let bay = |visit: usize| self.choices_of(visit).first().map(|&(bay, _)| bay);
        self.visits.iter().enumerate().any(|(other, visit)| {
            let same_car = visit.car == own.car && visit.on_vehicle && own.on_vehicle;
            let running = visit.fact.is_some_and(|fact| !fact.over);
            let goes_on = visit.fact.is_some() && !visit.operations.is_empty();
            other != index && (running && (bay(other) == bay(index) || same_car) || goes_on && same_car)
        })
    }

    fn impossible_operation(&self, index: usize) -> Option<LeftOutReason> {
        let problem = self.problem;
        let operation = OperationId::from_index(index);
        let data = &problem.operations[operation];
        for (pool, units) in &data.equipment {
            if *units > problem.equipment[*pool].capacity && data.work > fitup_model::Span::ZERO {
                return Some(LeftOutReason::EquipmentShort { operation, equipment: *pool });
            }
        }
        if let Some(&(_, wisher)) = self.partnerless.iter().find(|(own, _)| *own as usize == index) {
            return Some(LeftOutReason::NoSamePerson { operation: OperationId::from_index(wisher as usize) });
        }
        if self.modes_of(index).is_empty() {
            return Some(self.no_mode(operation));
        }
        let own = &self.operations[index];
        if own.head > own.latest || own.earliest > own.latest {
            return Some(LeftOutReason::PinnedTooEarly { operation });
        }
        if own.head >= super::NEVER || self.earliest_end(index) > self.clock.horizon {
            return Some(LeftOutReason::BeyondHorizon { operation });
        }
        let bays_open = |visit: usize| {
            !self.visits[visit].keeps_hours
                || self.choices_of(visit).iter().any(|&(bay, _)| self.is_open_for(bay, self.visits[visit].span))
        };
        let visit = own.visit.filter(|&visit| !bays_open(visit as usize))?;
        Some(LeftOutReason::NoBayWindow { visit: VisitId::from_index(visit as usize) })
    }

    /// Tells whether a bay is open for so long at a stretch, ever.
    fn is_open_for(&self, bay: u16, span: super::Step) -> bool {
        let calendar = &self.calendars[self.bay_calendar[usize::from(bay)] as usize];
        span <= 0 || calendar.open_steps().iter().any(|&step| calendar.close(step) - step >= span)
    }

    fn no_mode(&self, operation: OperationId) -> LeftOutReason {
        let problem = self.problem;
        let data = &problem.operations[operation];
        if let Commitment::Pinned { technicians: Some(people), .. } = &data.commitment {
            for (place, (&technician, &skill)) in people.iter().zip(&data.crew).enumerate() {
                if problem.efficiency(technician, skill).is_none() || people[..place].contains(&technician) {
                    return LeftOutReason::PinnedPerson { operation, technician };
                }
            }
        }
        for (place, &skill) in data.crew.iter().enumerate() {
            let able = |technician: &TechnicianId| problem.efficiency(*technician, skill).is_some();
            let needed = data.crew[..=place].iter().filter(|other| **other == skill).count();
            if problem.technicians.keys().filter(able).count() < needed {
                return LeftOutReason::NoCrew { operation, skill };
            }
        }
        let longest = |technician: TechnicianId| {
            let own = &problem.technicians[technician];
            let windows = problem.calendars[own.with_overtime.unwrap_or(own.calendar)].windows();
            windows.iter().map(|window| window.span()).max()
        };
        let fits = problem.technicians.keys().any(|technician| {
            data.crew.iter().any(|&skill| {
                let time = problem.efficiency(technician, skill).map(|own| own.time_for(data.work, problem.grid));
                time.is_some_and(|time| {
                    data.interruptible || longest(technician).is_some_and(|longest| longest >= time)
                })
            })
        });
        match (fits, data.crew.first()) {
            (false, _) => LeftOutReason::NoWindow { operation },
            (true, Some(&skill)) if data.crew.len() > 1 => LeftOutReason::NoCrew { operation, skill },
            _ => LeftOutReason::BeyondHorizon { operation },
        }
    }

    /// Returns the class that a visit asks for.
    pub fn class_of(&self, visit: usize) -> BayClassId {
        BayClassId::from_index(self.visits[visit].class as usize)
    }
}
