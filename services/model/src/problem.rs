//! The planning problem: a shop and its cars in dense, checked form. What a plan means is said here.
//!
//! Times are whole minutes from an origin (the server uses midnight of the current day in the shop's zone), intervals
//! are half-open, and what is still to be planned starts on multiples of [`ProblemData::grid`].

use std::ops::Deref;

use crate::calendar::Calendar;
use crate::keyed::{
    BayClassId, BayId, CalendarId, CarId, EquipmentId, FamilyId, KeyedVec, OperationId, SkillId, TechnicianId, VisitId,
};
use crate::spread::Spread;
use crate::time::{Span, Time, Window};

/// How fast a technician is at a skill, in thousandths: 1200 does a booked hour in 50 minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Efficiency(pub u32);

impl Efficiency {
    /// Takes exactly the booked time.
    pub const NORMAL: Efficiency = Efficiency(1000);

    /// Returns the time that `work` booked takes, rounded up to the grid.
    pub fn time_for(self, work: Span, grid: Span) -> Span {
        let step = i128::from(self.0) * i128::from(grid.minutes());
        let steps = (i128::from(work.minutes()) * 1000 + step - 1).div_euclid(step);
        Span::from_minutes(i64::try_from(steps).expect("work is bounded by the horizon") * grid.minutes())
    }
}

/// What a plan is judged by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Objective {
    /// The price of [`crate::cost`]: lateness, time in the shop, overtime, changes and the rest.
    Price,
    /// The latest completion of any car, in minutes from the origin. For published benchmark instances.
    Makespan,
}

/// A bay: holds one car, or the loose parts of one car, at a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bay {
    /// Name for messages.
    pub name: String,
    /// Classes it can serve as; never empty.
    pub classes: Vec<BayClassId>,
    /// A visit lies inside one window of this calendar as a whole.
    pub calendar: CalendarId,
}

/// Time in which some units of a pool cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outage {
    /// When.
    pub window: Window,
    /// How many units.
    pub units: u32,
}

/// A pool of like pieces of equipment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Equipment {
    /// Name for messages.
    pub name: String,
    /// Number of pieces.
    pub capacity: u32,
    /// When some are out of service; together never more units than the capacity.
    pub outages: Vec<Outage>,
}

/// A technician: one operation at a time over its whole span, pauses included.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Technician {
    /// Name for messages.
    pub name: String,
    /// Regular working time.
    pub calendar: CalendarId,
    /// Regular time together with the overtime that may be opened; an assignment says whether it uses it.
    pub with_overtime: Option<CalendarId>,
    /// Skills with their efficiencies; no skill twice.
    pub skills: Vec<(SkillId, Efficiency)>,
}

/// Time a bay must stand empty between a visit of one family and the next visit of another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Changeover {
    /// Family of the visit before.
    pub from: FamilyId,
    /// Family of the visit after.
    pub to: FamilyId,
    /// From the end of one to the start of the other.
    pub span: Span,
}

/// A repair order as the planner sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Car {
    /// Name for messages: the order's id.
    pub name: String,
    /// When it comes to the shop.
    pub arrival: Time,
    /// When it was promised, if it was.
    pub promise: Option<Time>,
    /// Price of a minute after the promise.
    pub late_weight: i64,
    /// Price of a minute from arrival to completion.
    pub flow_weight: i64,
}

/// Which bay a visit takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BayChoice {
    /// Any bay of its class.
    Free,
    /// This bay, by hand.
    Pinned(BayId),
    /// The car stands in this bay already, or stood there: class and calendar of the bay are no longer asked for. A visit
    /// of which an operation has started is always of this kind.
    Entered(BayId),
}

/// A bay that was published for a visit, and what it costs to change it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PublishedBay {
    /// The published bay.
    pub bay: BayId,
    /// Price of another one.
    pub price: i64,
}

/// A stay in one bay, from the first start to the last end of its operations, waits and nights included.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// Name for messages: `1042/rack`.
    pub name: String,
    /// Whose visit.
    pub car: CarId,
    /// Class of bay it needs.
    pub class: BayClassId,
    /// The car itself is in the bay, so that no other on-vehicle visit of the car overlaps. Loose parts otherwise.
    pub on_vehicle: bool,
    /// Family for changeovers, if any.
    pub family: Option<FamilyId>,
    /// Which bay.
    pub bay: BayChoice,
    /// What was published.
    pub published: Option<PublishedBay>,
}

/// Why an operation cannot start before a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReadyReason {
    /// The car has to be there.
    Arrival,
    /// The part of this name is expected.
    Part(String),
    /// The approval of this name is expected.
    Approval(String),
    /// Somebody said so.
    NotBefore,
}

/// An earliest start and its reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ready {
    /// Not before this.
    pub time: Time,
    /// Because of this.
    pub reason: ReadyReason,
}

/// What is already settled about an operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Commitment {
    /// Nothing.
    Free,
    /// These people (one for each place of the crew) or this start or both, by hand or because it was published and is
    /// too near to change. All rules hold for it.
    Pinned {
        /// The crew, if settled.
        technicians: Option<Vec<TechnicianId>>,
        /// The start, if settled; on the grid.
        start: Option<Time>,
    },
    /// It has started, and perhaps ended (`end <= now`): a fact, to which calendars, readiness and waits before it no
    /// longer apply, and which need not lie on the grid. It keeps its people and equipment until `end`.
    Started {
        /// When it started.
        start: Time,
        /// When it ended or will end.
        end: Time,
        /// Who is on it; facts may name fewer or more people than the crew asks for.
        technicians: Vec<TechnicianId>,
    },
}

/// How much it matters that somebody of an earlier crew is in this one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SamePersonRule {
    /// A plan without it is refused.
    Required,
    /// A plan without it costs this much more.
    Preferred(i64),
}

/// Asks that a technician of the crew of `operation` is in this crew too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SamePerson {
    /// An operation of the same car that this one comes after by links.
    pub operation: OperationId,
    /// Rule or preference.
    pub rule: SamePersonRule,
}

/// What was published for an operation, and what it costs to change it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Published {
    /// The published start; its day is the day in [`ProblemData::days`] that it lies in.
    pub start: Time,
    /// The published crew.
    pub technicians: Vec<TechnicianId>,
    /// Price of each published technician who is no longer in the crew.
    pub person_price: i64,
    /// Price of a start on another day.
    pub day_price: i64,
}

/// A piece of work or a wait.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Operation {
    /// Name for messages: `1042/pull`.
    pub name: String,
    /// Whose operation.
    pub car: CarId,
    /// In which visit; `None` needs no bay.
    pub visit: Option<VisitId>,
    /// Booked work of each of the crew; the length itself if unattended.
    pub work: Span,
    /// Between what it may turn out to lie, where that was said of this operation; a plan is made from `work` alone.
    pub spread: Option<Spread>,
    /// A skill for each person; empty for unattended work, which runs on the clock.
    ///
    /// The length is that of the slowest: `max over the crew of ceil to grid (work / efficiency)`.
    pub crew: Vec<SkillId>,
    /// Pieces of equipment, held from start to end; no pool twice.
    pub equipment: Vec<(EquipmentId, u32)>,
    /// Attended work only: stops when one of the crew is off and goes on when all are back. It starts while all are
    /// there. Otherwise it lies inside one window of each of the crew.
    pub interruptible: bool,
    /// Earliest starts.
    pub ready: Vec<Ready>,
    /// What is settled.
    pub commitment: Commitment,
    /// Whom it wants to see again.
    pub same_person: Option<SamePerson>,
    /// What was published.
    pub published: Option<Published>,
}

/// `start(to) >= end(from) + min_wait`, and with a maximum also `start(to) <= end(from) + max_wait`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// The operation before.
    pub from: OperationId,
    /// The operation after, of the same car.
    pub to: OperationId,
    /// Shortest wait; negative lets the two overlap.
    pub min_wait: Span,
    /// Longest wait: flash time, recoat window, open time.
    pub max_wait: Option<Span>,
}

/// Room for cars on the premises that stand in no bay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outside {
    /// So many cars cost nothing.
    pub limit: u32,
    /// Price of a minute of each car above it.
    ///
    /// A price and not a rule: arrivals are facts, and with a rule a full yard would leave no plan at all.
    pub weight: i64,
}

/// The parts of a [`Problem`], not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProblemData {
    /// Starts and lengths of planned work are multiples of this; at least one minute.
    pub grid: Span,
    /// Nothing that has not started yet starts before this.
    pub now: Time,
    /// Everything planned ends by this.
    pub horizon: Time,
    /// Midnights in the shop's zone, ascending: where one day ends and the next begins.
    pub days: Vec<Time>,
    /// What plans are judged by.
    pub objective: Objective,
    /// Calendars of bays and technicians.
    pub calendars: KeyedVec<CalendarId, Calendar>,
    /// Names of the skills.
    pub skills: KeyedVec<SkillId, String>,
    /// Names of the bay classes.
    pub bay_classes: KeyedVec<BayClassId, String>,
    /// Bays.
    pub bays: KeyedVec<BayId, Bay>,
    /// Equipment.
    pub equipment: KeyedVec<EquipmentId, Equipment>,
    /// Technicians.
    pub technicians: KeyedVec<TechnicianId, Technician>,
    /// Names of the families.
    pub families: KeyedVec<FamilyId, String>,
    /// Changeovers, between visits that follow each other in a bay; a pair that is missing needs none.
    pub changeovers: Vec<Changeover>,
    /// Cars.
    pub cars: KeyedVec<CarId, Car>,
    /// Visits; each has an operation.
    pub visits: KeyedVec<VisitId, Visit>,
    /// Operations; each car has one.
    pub operations: KeyedVec<OperationId, Operation>,
    /// Links; without cycles.
    pub links: Vec<Link>,
    /// Price of a person's minute of overtime.
    pub overtime_weight: i64,
    /// Price of leaving a car out of the plan, beside its lateness and flow up to the horizon.
    pub left_out_price: i64,
    /// Room outside, if it matters.
    pub outside: Option<Outside>,
}

impl ProblemData {
    /// Returns a problem without resources, cars or prices, over `[0, horizon)`.
    pub fn empty(grid: Span, horizon: Time) -> ProblemData {
        ProblemData {
            grid,
            now: Time::ORIGIN,
            horizon,
            days: vec![Time::ORIGIN],
            objective: Objective::Price,
            calendars: KeyedVec::new(),
            skills: KeyedVec::new(),
            bay_classes: KeyedVec::new(),
            bays: KeyedVec::new(),
            equipment: KeyedVec::new(),
            technicians: KeyedVec::new(),
            families: KeyedVec::new(),
            changeovers: Vec::new(),
            cars: KeyedVec::new(),
            visits: KeyedVec::new(),
            operations: KeyedVec::new(),
            links: Vec::new(),
            overtime_weight: 0,
            left_out_price: 10_000_000,
            outside: None,
        }
    }
}

/// A shop and its cars, checked: every reference exists, links have no cycle, quantities are in range.
///
/// That a plan exists is not promised: an operation may find no crew or no window. Reads like [`ProblemData`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    data: ProblemData,
    operations_of_car: KeyedVec<CarId, Vec<OperationId>>,
    operations_of_visit: KeyedVec<VisitId, Vec<OperationId>>,
    visits_of_car: KeyedVec<CarId, Vec<VisitId>>,
}

impl Deref for Problem {
    type Target = ProblemData;
    fn deref(&self) -> &ProblemData {
        &self.data
    }
}

impl Problem {
    /// Checks `data` and returns it as a problem.
    ///
    /// # Errors
    /// All faults, see [`crate::problem_check`].
    pub fn new(data: ProblemData) -> Result<Problem, Vec<crate::Fault>> {
        crate::problem_check::faults(&data).into_result(())?;
        let mut operations_of_car = KeyedVec::filled(Vec::new(), data.cars.len());
        let mut operations_of_visit = KeyedVec::filled(Vec::new(), data.visits.len());
        let mut visits_of_car = KeyedVec::filled(Vec::new(), data.cars.len());
        for (id, operation) in data.operations.iter() {
            operations_of_car[operation.car].push(id);
            if let Some(visit) = operation.visit {
                operations_of_visit[visit].push(id);
            }
        }
        for (id, visit) in data.visits.iter() {
            visits_of_car[visit.car].push(id);
        }
        Ok(Problem { data, operations_of_car, operations_of_visit, visits_of_car })
    }

    /// Returns the parts, to be changed and checked again.
    pub fn into_data(self) -> ProblemData {
        self.data
    }

    /// Returns the operations of `car`, in order of their keys; never empty.
    pub fn operations_of(&self, car: CarId) -> &[OperationId] {
        &self.operations_of_car[car]
    }

    /// Returns the operations of `visit`, in order of their keys; never empty.
    pub fn operations_in(&self, visit: VisitId) -> &[OperationId] {
        &self.operations_of_visit[visit]
    }

    /// Returns the visits of `car`, in order of their keys.
    pub fn visits_of(&self, car: CarId) -> &[VisitId] {
        &self.visits_of_car[car]
    }

    /// Returns the time a bay must stand empty between two visits, `before` and `after`, that follow each other in it.
    pub fn changeover(&self, before: VisitId, after: VisitId) -> Span {
        let (Some(from), Some(to)) = (self.visits[before].family, self.visits[after].family) else { return Span::ZERO };
        self.changeovers.iter().find(|c| c.from == from && c.to == to).map_or(Span::ZERO, |changeover| changeover.span)
    }

    /// Returns how fast `technician` is at `skill`, if at all.
    pub fn efficiency(&self, technician: TechnicianId, skill: SkillId) -> Option<Efficiency> {
        self.technicians[technician].skills.iter().find(|(own, _)| *own == skill).map(|(_, efficiency)| *efficiency)
    }

    /// Returns how long `operation` takes with `technicians`, one for each place of its crew, pauses not counted.
    ///
    /// `None` if the number of people differs or one lacks the skill of his place.
    pub fn duration(&self, operation: OperationId, technicians: &[TechnicianId]) -> Option<Span> {
        let operation = &self.operations[operation];
        if operation.crew.len() != technicians.len() {
            return None;
        }
        if operation.crew.is_empty() {
            return Some(operation.work.ceil_to(self.grid));
        }
        let mut longest = Span::ZERO;
        for (&technician, &skill) in technicians.iter().zip(&operation.crew) {
            longest = longest.max(self.efficiency(technician, skill)?.time_for(operation.work, self.grid));
        }
        Some(longest)
    }

    /// Returns the earliest start that readiness and the clock allow `operation`, on the grid.
    pub fn earliest_start(&self, operation: OperationId) -> Time {
        let ready = self.operations[operation].ready.iter().map(|ready| ready.time).max();
        ready.map_or(self.now, |time| time.max(self.now)).ceil_to(self.grid)
    }

    /// Returns the index of the day of [`ProblemData::days`] that `time` lies in; 0 before the first.
    pub fn day_of(&self, time: Time) -> usize {
        self.days.partition_point(|midnight| *midnight <= time).saturating_sub(1)
    }

    /// Tells whether `bay` can serve as `class`.
    pub fn bay_serves(&self, bay: BayId, class: BayClassId) -> bool {
        self.bays[bay].classes.contains(&class)
    }
}
