//! The problem in dense arrays, once: everything that search, bound and integer program ask for in their inner loops.
//!
//! **Time** is in *steps* of [`Clock::minutes`] minutes since [`Clock::base`]; all intervals are half-open. A step is the
//! grid of the problem, or a divisor of it where calendars open or close off the grid; planned operations start only in
//! steps with [`Clock::on_grid`]. Waits and limits are rounded inwards, which loses nothing, since planned starts and
//! ends are whole steps.
//!
//! **Indices** are those of the model's keys (`OperationId::index()` and so on).
//!
//! **Facts** (operations that have started) are not planned any more and appear only as what they do to the rest:
//! * their people and equipment are busy: [`Compiled::busy_people`], [`Compiled::pools`];
//! * links from them became earliest and latest starts of the operations after them;
//! * their ends count for their car: [`Car::fact_end`] in minutes; their bays: [`Visit::fact`].
//!
//! **Modes** of an operation are the ways to do it: a crew, with or without its overtime. The same people in other
//! places of the crew are kept only if that may matter (another length before a maximum wait).
//!
//! **Price** of a car that is planned: see [`price`]. Outside, the room for cars in no bay, is the one part that is not
//! a sum over cars.

mod calendar;
mod cars;
mod clock;
mod heads;
mod held;
pub mod modes;
pub mod price;
mod reasons;
mod sticky;
mod tails;
mod vary;

pub use calendar::StepCalendar;
pub use clock::Clock;
pub use tails::Tails;
pub use vary::Variation;

use std::sync::OnceLock;

use fitup_model::problem::Objective;
use fitup_model::{Cost, Problem};

use crate::outcome::LeftOutReason;

/// A point or length of time in steps.
pub type Step = i32;

/// Later than everything; small enough that sums of a few do not overflow.
pub const NEVER: Step = 1 << 28;

/// A range of a flat array.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Slice {
    start: u32,
    end: u32,
}

impl Slice {
    fn new(start: usize, end: usize) -> Slice {
        let narrow = |index| u32::try_from(index).expect("no problem has 2^32 of anything");
        Slice { start: narrow(start), end: narrow(end) }
    }

    /// Returns the positions.
    #[inline]
    pub fn range(self) -> std::ops::Range<usize> {
        self.start as usize..self.end as usize
    }

    /// Returns the number of positions.
    pub fn len(self) -> usize {
        (self.end - self.start) as usize
    }

    /// Tells whether there is none.
    pub fn is_empty(self) -> bool {
        self.start == self.end
    }
}

/// One way to do an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mode {
    /// The crew, in the order of its places: [`Compiled::people_of`].
    pub people: Slice,
    /// When the whole crew is there: index into [`Compiled::calendars`].
    pub calendar: u32,
    /// Open steps that it takes.
    pub length: Step,
    /// Whether the overtime of the crew is open.
    pub overtime: bool,
    /// Price of published people who are not in this crew.
    pub change: Cost,
}

/// A link between two operations that are both still to be planned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// The operation at the other end.
    pub other: u32,
    /// Shortest wait.
    pub min: Step,
    /// Longest wait; [`NEVER`] if there is none.
    pub max: Step,
}

/// Whom an operation wants to see again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Again {
    /// The earlier operation; perhaps a fact.
    pub operation: u32,
    /// `None` if it is a rule, otherwise the price of somebody else.
    pub price: Option<Cost>,
}

/// An operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Operation {
    /// Whose.
    pub car: u32,
    /// In which visit, if in any.
    pub visit: Option<u32>,
    /// A fact: nothing else below holds for it but `again`.
    pub is_fact: bool,
    /// The ways to do it, shortest first; none if it cannot be done.
    pub modes: Slice,
    /// Goes on after a pause, or is unattended.
    pub interruptible: bool,
    /// First start that now, readiness, pins and facts before it allow.
    pub earliest: Step,
    /// Last start that pins and facts before it allow; [`NEVER`] if they do not care.
    pub latest: Step,
    /// Pools and numbers of pieces: [`Compiled::needs_of`].
    pub needs: Slice,
    /// Links from operations before: [`Compiled::links_of`].
    pub before: Slice,
    /// Links to operations after.
    pub after: Slice,
    /// Whether some link after it has a longest wait.
    pub has_longest_wait: bool,
    /// Earliest start by the links before it, each at its shortest.
    pub head: Step,
    /// Shortest time from its start to the completion of the car.
    pub tail: Step,
    /// Length of the shortest mode; pauses make it longer.
    pub shortest: Step,
    /// Whom it wants to see again.
    pub again: Option<Again>,
    /// Starts in `[from, until)` are on the published day, others cost the price.
    pub published_day: Option<(Step, Step, Cost)>,
}

/// What facts say about a visit: its bay is held from `start` and at least until `end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VisitFact {
    /// First start, rounded down; may be negative.
    pub start: Step,
    /// Last end, rounded up.
    pub end: Step,
    /// All of it ended by now: with nothing more to come the visit holds no bay.
    pub over: bool,
}

/// A visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// Whose.
    pub car: u32,
    /// The class it asks for.
    pub class: u32,
    /// The car itself, not its loose parts.
    pub on_vehicle: bool,
    /// The operations that are to be planned.
    pub operations: Vec<u32>,
    /// The bays it can take, with the price of each: [`Compiled::choices_of`].
    pub bays: Slice,
    /// Whether it asks for the calendar of its bay.
    pub keeps_hours: bool,
    /// Row and column of [`Compiled::changeover`].
    pub family: u32,
    /// Least time in the bay.
    pub span: Step,
    /// What has happened in it.
    pub fact: Option<VisitFact>,
}

/// A car.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Car {
    /// Operations to be planned, each after those that it waits for.
    pub operations: Vec<u32>,
    /// All of its visits.
    pub visits: Vec<u32>,
    /// Minutes of its arrival, promise (`i64::MAX` if none) and latest end of a fact (`i64::MIN` if none), from the origin.
    pub arrival: i64,
    /// See `arrival`.
    pub promise: i64,
    /// See `arrival`.
    pub fact_end: i64,
    /// Price of a minute late.
    pub late_weight: Cost,
    /// Price of a minute in the shop.
    pub flow_weight: Cost,
    /// Price of what has happened already, whether the car is planned or not.
    pub sunk: Cost,
    /// Price if it is left out, `sunk` included.
    pub left_out: Cost,
    /// Price of its completion at its head: no plan of this car costs less, `sunk` included.
    pub least: Cost,
    /// Shortest time from its arrival (or now) to its completion.
    pub tail: Step,
    /// Overtime, changes or wishes may cost something: see [`price`].
    pub has_extras: bool,
    /// Has facts, pins or an entered bay; such cars are placed first.
    pub committed: bool,
    /// Facts that wish for somebody of an operation that is still to be planned.
    pub fact_wishes: Vec<u32>,
    /// Why it can never be planned.
    pub impossible: Option<LeftOutReason>,
}

/// A pool of equipment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pool {
    /// Number of pieces.
    pub capacity: u16,
    /// Pieces out of service or used by facts, as `(start, end, pieces)`.
    pub busy: Vec<(Step, Step, u16)>,
}

/// A problem in dense arrays.
#[derive(Debug, Clone)]
pub struct Compiled<'p> {
    /// Where it comes from.
    pub problem: &'p Problem,
    /// Steps and minutes.
    pub clock: Clock,
    /// Distinct calendars of crews and bays; the first is always open.
    pub calendars: Vec<StepCalendar>,
    /// By operation.
    pub operations: Vec<Operation>,
    /// By visit.
    pub visits: Vec<Visit>,
    /// By car.
    pub cars: Vec<Car>,
    /// Calendar of each bay.
    pub bay_calendar: Vec<u32>,
    /// Bays that are alike for every visit (calendar, classes, no pins, nothing published or entered) share a number.
    pub bay_kind: Vec<u32>,
    /// Technicians that are alike for every operation share a number.
    pub technician_kind: Vec<u32>,
    /// By pool.
    pub pools: Vec<Pool>,
    /// When facts keep each technician, sorted and disjoint.
    pub busy_people: Vec<Vec<(Step, Step)>>,
    /// Whether operations are worth waiting for until they start when they were published to: `sticky`.
    pub is_sticky: bool,
    /// Whether any changeover takes time.
    pub has_changeovers: bool,
    /// Whether choices were cut off at [`modes::MOST`] modes of an operation or at the longest horizon: then a proof over
    /// this problem is none over the original one.
    pub truncated: bool,
    /// Operations that nobody can do who was there before, each with the one that asks for the same person.
    partnerless: Vec<(u32, u32)>,
    modes: Vec<Mode>,
    people: Vec<u16>,
    needs: Vec<(u16, u16)>,
    links: Vec<Link>,
    choices: Vec<(u16, Cost)>,
    changeovers: Vec<Step>,
    families: usize,
    tails: OnceLock<Tails>,
}

impl<'p> Compiled<'p> {
    /// Compiles `problem`: O(size + calendars x horizon).
    pub fn new(problem: &'p Problem) -> Compiled<'p> {
        let (clock, cut) = Clock::new(problem);
        let families = problem.families.len() + 1;
        let mut compiled = Compiled {
            problem,
            calendars: vec![StepCalendar::always(&clock)],
            clock,
            operations: Vec::new(),
            visits: Vec::new(),
            cars: Vec::new(),
            bay_calendar: Vec::new(),
            bay_kind: Vec::new(),
            technician_kind: Vec::new(),
            pools: Vec::new(),
            busy_people: Vec::new(),
            is_sticky: false,
            has_changeovers: problem.changeovers.iter().any(|changeover| changeover.span > fitup_model::Span::ZERO),
            truncated: cut,
            partnerless: Vec::new(),
            modes: Vec::new(),
            people: Vec::new(),
            needs: Vec::new(),
            links: Vec::new(),
            choices: Vec::new(),
            changeovers: vec![0; families * families],
            families,
            tails: OnceLock::new(),
        };
        compiled.add_resources();
        compiled.add_operations();
        compiled.add_visits();
        compiled.add_cars();
        compiled.find_heads_and_tails();
        compiled.find_kinds();
        compiled.finish_cars();
        compiled
    }

    /// Returns the modes of an operation.
    #[inline]
    pub fn modes_of(&self, operation: usize) -> &[Mode] {
        &self.modes[self.operations[operation].modes.range()]
    }

    /// Returns the crew of a mode.
    #[inline]
    pub fn people_of(&self, mode: &Mode) -> &[u16] {
        &self.people[mode.people.range()]
    }

    /// Returns the pools that an operation uses, with the number of pieces.
    #[inline]
    pub fn needs_of(&self, operation: usize) -> &[(u16, u16)] {
        &self.needs[self.operations[operation].needs.range()]
    }

    /// Returns the links of `slice`, which is `before` or `after` of an operation.
    #[inline]
    pub fn links_of(&self, slice: Slice) -> &[Link] {
        &self.links[slice.range()]
    }

    /// Returns the bays that a visit can take, each with its price (that of changing the published one).
    #[inline]
    pub fn choices_of(&self, visit: usize) -> &[(u16, Cost)] {
        &self.choices[self.visits[visit].bays.range()]
    }

    /// Returns the time a bay stands empty between visits of these families ([`Visit::family`]).
    #[inline]
    pub fn changeover(&self, before: u32, after: u32) -> Step {
        self.changeovers[before as usize * self.families + after as usize]
    }

    /// Tells whether the makespan is what counts.
    pub fn is_makespan(&self) -> bool {
        self.problem.objective == Objective::Makespan
    }

    /// Returns what ends of operations say about the ends of their cars, computed when first asked for.
    pub fn tails(&self) -> &Tails {
        self.tails.get_or_init(|| Tails::new(self))
    }

    /// Returns a price below which no plan lies: every car at its head, or left out.
    pub fn trivial_bound(&self) -> Cost {
        let least = self
            .cars
            .iter()
            .map(|car| if car.impossible.is_some() { car.left_out } else { car.least.min(car.left_out) });
        if self.is_makespan() { least.max().unwrap_or(0) } else { least.sum() }
    }
}
