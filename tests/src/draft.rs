//! A problem under construction, with defaults for what a test does not care about.

use fitup_model::keyed::{
    BayClassId, BayId, CalendarId, CarId, EquipmentId, OperationId, SkillId, TechnicianId, VisitId,
};
use fitup_model::problem::{
    Bay, BayChoice, Car, Commitment, Efficiency, Equipment, Link, Operation, Ready, ReadyReason, Technician, Visit,
};
use fitup_model::{Calendar, Problem, ProblemData, Span, Time, Window};

/// Returns the instant at `minutes`.
pub fn at(minutes: i64) -> Time {
    Time::from_minutes(minutes)
}

/// Returns a span of `minutes`.
pub fn span(minutes: i64) -> Span {
    Span::from_minutes(minutes)
}

/// Returns `[start, end)` in minutes.
pub fn window(start: i64, end: i64) -> Window {
    Window::new(at(start), at(end)).expect("tests write windows that end after their start")
}

/// A problem under construction. What the methods do not set is set in `data`.
#[derive(Debug, Clone)]
pub struct Draft {
    /// The problem so far.
    pub data: ProblemData,
}

impl Draft {
    /// Returns a draft without resources and cars.
    pub fn new(grid: i64, horizon: i64) -> Draft {
        Draft { data: ProblemData::empty(span(grid), at(horizon)) }
    }

    /// Adds a calendar with these windows, in minutes.
    pub fn calendar(&mut self, windows: &[(i64, i64)]) -> CalendarId {
        self.data.calendars.push(Calendar::new(windows.iter().map(|&(start, end)| window(start, end)).collect()))
    }

    /// Adds a calendar that is open from the origin to the horizon.
    pub fn always(&mut self) -> CalendarId {
        self.calendar(&[(0, self.data.horizon.minutes())])
    }

    /// Adds a skill.
    pub fn skill(&mut self, name: &str) -> SkillId {
        self.data.skills.push(name.to_string())
    }

    /// Adds a bay class.
    pub fn class(&mut self, name: &str) -> BayClassId {
        self.data.bay_classes.push(name.to_string())
    }

    /// Adds a bay.
    pub fn bay(&mut self, name: &str, classes: &[BayClassId], calendar: CalendarId) -> BayId {
        self.data.bays.push(Bay { name: name.to_string(), classes: classes.to_vec(), calendar })
    }

    /// Adds a technician without overtime; efficiencies in thousandths.
    pub fn technician(&mut self, name: &str, calendar: CalendarId, skills: &[(SkillId, u32)]) -> TechnicianId {
        let skills = skills.iter().map(|&(skill, thousandths)| (skill, Efficiency(thousandths))).collect();
        self.data.technicians.push(Technician { name: name.to_string(), calendar, with_overtime: None, skills })
    }

    /// Adds a pool of equipment without outages.
    pub fn equipment(&mut self, name: &str, capacity: u32) -> EquipmentId {
        self.data.equipment.push(Equipment { name: name.to_string(), capacity, outages: Vec::new() })
    }

    /// Adds a car that comes at the origin, without a promise, at a price of 1 for each minute.
    pub fn car(&mut self, name: &str) -> CarId {
        self.data.cars.push(Car {
            name: name.to_string(),
            arrival: Time::ORIGIN,
            promise: None,
            late_weight: 0,
            flow_weight: 1,
        })
    }

    /// Adds an on-vehicle visit.
    pub fn visit(&mut self, car: CarId, class: BayClassId) -> VisitId {
        let name = format!("{}/v{}", self.data.cars[car].name, self.data.visits.len());
        self.data.visits.push(Visit {
            name,
            car,
            class,
            on_vehicle: true,
            family: None,
            bay: BayChoice::Free,
            published: None,
        })
    }

    /// Adds an operation of `work` minutes without visit and equipment, not interruptible.
    pub fn operation(&mut self, car: CarId, name: &str, work: i64, crew: &[SkillId]) -> OperationId {
        self.data.operations.push(Operation {
            name: format!("{}/{name}", self.data.cars[car].name),
            car,
            visit: None,
            work: span(work),
            spread: None,
            crew: crew.to_vec(),
            equipment: Vec::new(),
            interruptible: false,
            ready: Vec::new(),
            commitment: Commitment::Free,
            same_person: None,
            published: None,
        })
    }

    /// Lets `operation` not start before `minutes`.
    pub fn not_before(&mut self, operation: OperationId, minutes: i64) {
        self.data.operations[operation].ready.push(Ready { time: at(minutes), reason: ReadyReason::NotBefore });
    }

    /// Adds a link with its waits in minutes.
    pub fn link(&mut self, from: OperationId, to: OperationId, min_wait: i64, max_wait: Option<i64>) {
        let (min_wait, max_wait) = (span(min_wait), max_wait.map(span));
        self.data.links.push(Link { from, to, min_wait, max_wait });
    }

    /// Returns the problem.
    ///
    /// # Panics
    /// If the draft is no problem: a fault of the test.
    pub fn problem(&self) -> Problem {
        Problem::new(self.data.clone()).unwrap_or_else(|faults| panic!("not a problem: {faults:?}"))
    }
}
