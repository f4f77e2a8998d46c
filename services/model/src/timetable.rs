//! A plan in the names and instants of its shop: what is stored, published and shown.

use jiff::{SignedDuration, Timestamp};

use crate::cost::{Cost, Price};

/// How good a plan is known to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quality {
    /// No plan is cheaper.
    Optimal,
    /// A cheaper one may exist, none below the bound.
    Feasible,
}

/// State of an operation when its plan was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OperationState {
    /// To be started.
    Planned,
    /// Running.
    Running,
    /// Done.
    Done,
}

/// When and by whom an operation is done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OperationTimetable {
    /// Id of the operation.
    pub operation: String,
    /// For people; never empty.
    pub display_name: String,
    /// State.
    pub state: OperationState,
    /// Id of its visit.
    pub visit: Option<String>,
    /// Id of its bay.
    pub bay: Option<String>,
    /// First instant.
    pub start_time: Timestamp,
    /// The instant after the last.
    pub end_time: Timestamp,
    /// One for each place of the crew.
    pub technicians: Vec<String>,
    /// Works in overtime where that is open.
    pub overtime: bool,
}

/// When a visit holds which bay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VisitTimetable {
    /// Id of the visit.
    pub visit: String,
    /// Id of the bay.
    pub bay: String,
    /// Only parts are in the bay.
    pub loose_parts: bool,
    /// First instant.
    pub start_time: Timestamp,
    /// The instant after the last.
    pub end_time: Timestamp,
}

/// What the time of an order goes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DelayKind {
    /// Work.
    Work,
    /// Unattended operations and shortest waits.
    Cure,
    /// A part is missing.
    Part,
    /// An approval is missing.
    Approval,
    /// The bay is taken.
    Bay,
    /// The technician is on something else.
    Technician,
    /// The equipment is in use.
    Equipment,
    /// The shop, or those who can do it, are off.
    Closed,
    /// Settled by hand.
    Settled,
    /// The planner let it wait for something later.
    Other,
}

/// Time that an order spends on the chain of operations that decides its completion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delay {
    /// What it goes to.
    pub kind: DelayKind,
    /// How long.
    pub duration: SignedDuration,
    /// Id of what is waited for.
    pub subject: Option<String>,
    /// Id of the order that has it.
    pub holder: Option<String>,
    /// Id of the operation that waits or is worked on.
    pub operation: String,
    /// Until when.
    pub until_time: Timestamp,
}

/// The plan for one order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderTimetable {
    /// Id of the order.
    pub order: String,
    /// Its vehicle.
    pub vehicle: String,
    /// When it comes or came.
    pub arrival_time: Timestamp,
    /// What was promised.
    pub promise_time: Option<Timestamp>,
    /// When its last operation ends.
    pub completion_time: Timestamp,
    /// Visits.
    pub visits: Vec<VisitTimetable>,
    /// Operations, by start.
    pub operations: Vec<OperationTimetable>,
    /// Where its time goes, the largest first.
    pub delays: Vec<Delay>,
    /// It is no order but held: until when its place is kept. `None` for an order.
    pub held_until: Option<Timestamp>,
}

impl OrderTimetable {
    /// Tells whether it counts at `at`: always for an order, until it is over for a hold.
    pub fn takes_part(&self, at: Timestamp) -> bool {
        self.held_until.is_none_or(|until| at < until)
    }

    /// Returns how long after the promise it is complete, if that is so.
    pub fn lateness(&self) -> Option<SignedDuration> {
        let late = self.completion_time.duration_since(self.promise_time?);
        late.is_positive().then_some(late)
    }
}

/// An order that could not be planned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOutOrder {
    /// Id of the order.
    pub order: String,
    /// The rule that cannot be kept, as a code such as `NO_CREW`.
    pub reason: String,
    /// Id of the operation it is about.
    pub operation: Option<String>,
    /// What is in the way, and what would mend it.
    pub message: String,
}

/// A checked plan in names and instants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timetable {
    /// Nothing new starts before this.
    pub as_of_time: Timestamp,
    /// How far it looks.
    pub horizon_time: Timestamp,
    /// How good it is known to be.
    pub quality: Quality,
    /// What it costs.
    pub price: Price,
    /// No plan costs less.
    pub bound: Cost,
    /// Orders, by completion.
    pub orders: Vec<OrderTimetable>,
    /// Orders left out.
    pub left_out: Vec<LeftOutOrder>,
}

impl Timetable {
    /// Tells whether an order, or a hold that stands at `at`, is in the plan.
    pub fn has(&self, order: &str, at: Timestamp) -> bool {
        self.orders.iter().any(|own| own.order == order && own.takes_part(at))
    }

    /// Returns the plan as it counts at `at`: without the places of holds that are over by then.
    pub fn at(&self, at: Timestamp) -> Timetable {
        let mut plan = self.clone();
        plan.orders.retain(|order| order.takes_part(at));
        plan
    }

    /// Returns how much of the price the best plan could at most save, 0 to 1.
    pub fn gap(&self) -> f64 {
        let price = self.price.total();
        if price <= 0 { 0.0 } else { ((price - self.bound).max(0) as f64 / price as f64).min(1.0) }
    }
}
