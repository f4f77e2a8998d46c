//! Checks a plan against a problem: slow, obvious, and without a line in common with the planner.
//!
//! Three words are used throughout. An operation is a *fact* if its commitment is
//! [`Started`](crate::problem::Commitment::Started); it is *planned* if it has an assignment and is no fact. A fact that
//! ended by `now` is *over*.
//!
//! Facts are exempt from every rule but [`Rule::StartedAltered`]: nobody can change them. Two facts may even contradict
//! each other; but nothing planned may collide with a fact that is not over. A visit is *settled* if all of its
//! assigned operations are facts, and over if all of these are over: a visit that is over holds no bay.

mod bays;
mod commitments;
mod crew;
mod equipment;
mod hours;
mod occupancy;
mod people;
mod same_person;
mod shape;
mod starts;
mod waits;

use crate::keyed::{BayId, CarId, OperationId, TechnicianId, VisitId};
use crate::plan::{Assignment, Plan};
use crate::problem::{Commitment, Problem};
use crate::time::{Time, Window};

/// One broken rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Violation {
    /// The rule.
    pub rule: Rule,
    /// What broke it, where and by how much.
    pub message: String,
}

macro_rules! rules {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {
        /// The rules of a plan, as [`crate::problem`] states them.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Rule {
            $($(#[$doc])* $name,)*
        }

        impl Rule {
            /// All rules, in the order in which they are checked.
            pub const ALL: &[Rule] = &[$(Rule::$name),*];
        }
    };
}

rules! {
    /// The plan has one place for each operation and each visit of the problem. If not, nothing else is checked.
    Shape,
    /// Every technician and every bay of the plan exists. One that does not is left out of all other checks.
    Unknown,
    /// Either all operations of a car have an assignment, or its facts alone.
    PartOfCar,
    /// A fact keeps its start, its end and its people, and claims no overtime.
    StartedAltered,
    /// A pinned crew is the crew, each in the pinned place.
    PinnedCrew,
    /// A pinned start is the start.
    PinnedStart,
    /// A visit with a pinned bay has this bay.
    PinnedBay,
    /// A visit that has entered a bay has this bay, whether its car is planned or left out.
    EnteredBay,
    /// Nothing planned starts before `now`.
    StartsBeforeNow,
    /// Nothing planned starts before one of its ready times. The arrival of the car is one of these where it matters.
    StartsBeforeReady,
    /// Planned starts are multiples of the grid.
    OffGrid,
    /// Everything planned ends by the horizon.
    EndsAfterHorizon,
    /// A planned operation has a technician for each place of its crew, and no more.
    CrewSize,
    /// Nobody stands twice in the crew of a planned operation.
    DistinctPeople,
    /// Who fills a place of a planned crew has its skill.
    MissingSkill,
    /// Planned work takes exactly its time.
    ///
    /// The time is the longest over the crew of `work / efficiency`, rounded up to the grid; for unattended work `work`
    /// rounded up to the grid. From start to end pass as many minutes; for interruptible work as many minutes in which
    /// all of the crew are there, and the last minute before the end is one of them. Not checked while a place of
    /// the crew is empty or held by somebody without its skill, since then no time is defined.
    WrongLength,
    /// Attended work that is not interruptible lies inside one window of each of its crew: of regular time, or of
    /// regular time and overtime together if the assignment uses overtime (of regular time for who has no overtime).
    OutsideCalendar,
    /// Interruptible work starts in a minute in which all of its crew are there, overtime counted as above.
    StartsWhileClosed,
    /// Nobody is on two operations at once; pauses count as part of an operation. Two facts may do so.
    TechnicianDoubleBooked,
    /// In no minute are more pieces of a pool in use or out of service than there are. An operation holds its pieces
    /// from start to end, pauses included. Minutes in which only facts use the pool are not counted.
    EquipmentOverCapacity,
    /// A planned operation starts no earlier than the end of the one before it and the minimum wait of their link.
    MinWait,
    /// A planned operation starts no later than the end of the one before it and the maximum wait of their link.
    MaxWait,
    /// A required same person is in both crews, of a planned operation and of the earlier one.
    SamePerson,
    /// Each visit of a car in the plan has a bay.
    MissingBay,
    /// No visit of a car left out has a bay, unless it was entered.
    UnwantedBay,
    /// A bay serves the class of each visit in it. Entered visits are exempt.
    BayClass,
    /// A visit lies inside one window of its bay's calendar as a whole. Entered visits are exempt.
    BayClosed,
    /// Two visits in one bay do not overlap, from first start to last end. Two settled visits may, and visits that are
    /// over hold no bay.
    BayDoubleBooked,
    /// Between two visits that follow each other in a bay, by their starts, passes the changeover between their
    /// families. Two settled visits need none, nor does a visit after one that is over.
    Changeover,
    /// On-vehicle visits of one car do not overlap. Two settled visits may, and visits that are over hold no bay.
    CarInTwoBays,
}

/// Returns every rule that `plan` breaks, with times in minutes; empty if the plan is good.
pub fn check(problem: &Problem, plan: &Plan) -> Vec<Violation> {
    check_with(problem, plan, &|time| format!("minute {}", time.minutes()))
}

/// Returns every rule that `plan` breaks; `show` writes the times in the messages, which read "at `show(time)`".
pub fn check_with(problem: &Problem, plan: &Plan, show: &dyn Fn(Time) -> String) -> Vec<Violation> {
    let mut inspection = Inspection { problem, plan, show, found: Vec::new() };
    shape::check(&mut inspection);
    if inspection.found.iter().any(|violation| violation.rule == Rule::Shape) {
        return inspection.found;
    }
    commitments::check(&mut inspection);
    starts::check(&mut inspection);
    crew::check(&mut inspection);
    hours::check(&mut inspection);
    people::check(&mut inspection);
    equipment::check(&mut inspection);
    waits::check(&mut inspection);
    same_person::check(&mut inspection);
    bays::check(&mut inspection);
    occupancy::check(&mut inspection);
    inspection.found
}

/// A check under way.
struct Inspection<'a> {
    problem: &'a Problem,
    plan: &'a Plan,
    show: &'a dyn Fn(Time) -> String,
    found: Vec<Violation>,
}

impl<'a> Inspection<'a> {
    fn report(&mut self, rule: Rule, message: String) {
        self.found.push(Violation { rule, message });
    }

    fn at(&self, time: Time) -> String {
        (self.show)(time)
    }

    fn window(&self, window: Window) -> String {
        format!("from {} to {}", self.at(window.start()), self.at(window.end()))
    }

    fn operation(&self, id: OperationId) -> String {
        format!("operation \"{}\"", self.problem.operations[id].name)
    }

    fn technician(&self, id: TechnicianId) -> String {
        format!("technician \"{}\"", self.problem.technicians[id].name)
    }

    fn visit(&self, id: VisitId) -> String {
        format!("visit \"{}\"", self.problem.visits[id].name)
    }

    fn bay(&self, id: BayId) -> String {
        format!("bay \"{}\"", self.problem.bays[id].name)
    }

    fn is_fact(&self, id: OperationId) -> bool {
        matches!(self.problem.operations[id].commitment, Commitment::Started { .. })
    }

    /// Returns the operations that have an assignment, facts included.
    fn assigned(&self) -> Vec<(OperationId, &'a Assignment)> {
        let plan = self.plan;
        plan.operations.iter().filter_map(|(id, assignment)| Some((id, assignment.as_ref()?))).collect()
    }

    /// Returns the operations that have an assignment and are no facts.
    fn planned(&self) -> Vec<(OperationId, &'a Assignment)> {
        self.assigned().into_iter().filter(|(id, _)| !self.is_fact(*id)).collect()
    }

    /// Returns the operations that hold people and equipment: all that have an assignment, but not facts that are over.
    fn holding(&self) -> Vec<(OperationId, &'a Assignment)> {
        let over = |id, end| self.is_fact(id) && end <= self.problem.now;
        self.assigned().into_iter().filter(|(id, assignment)| !over(*id, assignment.end)).collect()
    }

    /// Returns the technicians of `assignment` that exist.
    fn people(&self, assignment: &Assignment) -> Vec<TechnicianId> {
        assignment.technicians.iter().copied().filter(|&id| self.problem.technicians.contains(id)).collect()
    }

    /// Returns the bay that the plan gives to `visit`, if it exists.
    fn bay_of(&self, visit: VisitId) -> Option<BayId> {
        self.plan.bays[visit].filter(|&bay| self.problem.bays.contains(bay))
    }

    /// Tells whether `car` is in the plan, if only in part.
    fn includes(&self, car: CarId) -> bool {
        let planned = |id: &OperationId| self.plan.operations[*id].is_some() && !self.is_fact(*id);
        self.plan.includes(self.problem, car) || self.problem.operations_of(car).iter().any(planned)
    }

    /// Tells whether all assigned operations of `visit` are facts.
    fn is_settled(&self, visit: VisitId) -> bool {
        let operations = self.problem.operations_in(visit);
        operations.iter().all(|&id| self.plan.operations[id].is_none() || self.is_fact(id))
    }

    /// Returns the time for which `visit` holds its bay, unless it is over or nothing of it is assigned.
    fn stay(&self, visit: VisitId) -> Option<Window> {
        let stay = self.plan.occupation(self.problem, visit)?;
        (!self.is_settled(visit) || stay.end() > self.problem.now).then_some(stay)
    }
}
