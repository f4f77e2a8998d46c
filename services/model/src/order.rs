//! A repair order: all work on one vehicle. Facts as people enter them, checked against the shop by [`Order::new`].

use std::ops::Deref;

use jiff::Timestamp;

use crate::fault::Fault;
use crate::shop::Shop;

/// A stay in one bay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderVisit {
    /// Unique among the visits of the order.
    pub id: String,
    /// Class of bay.
    pub bay_class: String,
    /// Only parts are in the bay, the car is not.
    pub loose_parts: bool,
    /// Family for changeovers.
    pub family: Option<String>,
    /// The bay it has to be; the one it stands in if an operation of it has started.
    pub bay: Option<String>,
}

/// What asks for caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Hazard {
    /// A high-voltage system.
    HighVoltage,
    /// Airbags, belt tensioners and other restraints.
    RestraintSystem,
    /// Isocyanates and solvents in paint.
    Isocyanate,
    /// Glass whose adhesive has not cured.
    UncuredGlass,
    /// A raised or anchored car.
    RaisedVehicle,
    /// Chains and clamps under tension.
    Tension,
    /// Refrigerant.
    Refrigerant,
    /// Welding heat, sparks and fumes.
    Welding,
}

/// Equipment that an operation holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EquipmentNeed {
    /// Id of the equipment.
    pub equipment: String,
    /// Pieces.
    pub count: u32,
}

/// Asks that one of the crew of an earlier operation is in this crew too.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SamePersonWish {
    /// Id of the earlier operation.
    pub operation: String,
    /// A rule instead of a preference.
    pub required: bool,
}

/// What a person has settled about an operation.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pin {
    /// One technician for each place of the crew; empty leaves them open.
    pub technicians: Vec<String>,
    /// The start.
    pub start_time: Option<Timestamp>,
}

/// How far an operation is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Progress {
    /// Not started.
    Waiting,
    /// Somebody is on it, or it bakes or cures.
    Running {
        /// When it started.
        start_time: Timestamp,
        /// Who is on it.
        technicians: Vec<String>,
        /// Booked minutes left.
        remaining_minutes: u32,
        /// When so much was left: since then the work goes on. `None` means at the moment that is planned for.
        remaining_time: Option<Timestamp>,
    },
    /// Begun, and nobody is on it: it keeps its bay, and its rest is planned.
    Paused {
        /// When it started.
        start_time: Timestamp,
        /// When it stopped.
        pause_time: Timestamp,
        /// Who was on it.
        technicians: Vec<String>,
        /// Booked minutes left.
        remaining_minutes: u32,
        /// Why it stopped, for people.
        reason: String,
    },
    /// Done.
    Done {
        /// When it started.
        start_time: Timestamp,
        /// When it ended.
        end_time: Timestamp,
        /// Who was on it.
        technicians: Vec<String>,
    },
}

/// Makes an operation a check that somebody passes or fails: what comes after it waits for the pass.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct HoldPoint {
    /// Ids of the operations before it that are done again after a fail; then it is checked again.
    pub rework: Vec<String>,
    /// What is measured, with its unit, for people; may be empty.
    pub measure: String,
}

/// A piece of work or an unattended wait.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderOperation {
    /// Unique among the operations of the order.
    pub id: String,
    /// For people; may be empty.
    pub display_name: String,
    /// Booked minutes of each person; the length itself if unattended.
    pub work_minutes: u32,
    /// The least that it takes, in the same measure; `None` is the shop's share of what is booked. Attended work only.
    pub low_work_minutes: Option<u32>,
    /// The most that it takes; `None` is the shop's share of what is booked. Attended work only.
    pub high_work_minutes: Option<u32>,
    /// A skill for each person; empty if unattended.
    pub crew: Vec<String>,
    /// Id of its visit.
    pub visit: Option<String>,
    /// Equipment.
    pub equipment: Vec<EquipmentNeed>,
    /// Stops at closing time and goes on at opening.
    pub interruptible: bool,
    /// Ids of parts and approvals.
    pub needs: Vec<String>,
    /// Not before this.
    pub earliest_start_time: Option<Timestamp>,
    /// Whom it wants to see again.
    pub same_person: Option<SamePersonWish>,
    /// What was settled by hand.
    pub pin: Option<Pin>,
    /// What asks for caution.
    pub hazards: Vec<Hazard>,
    /// It is a check that is passed or failed.
    pub hold_point: Option<HoldPoint>,
    /// How far it is.
    pub progress: Progress,
}

/// What comes after what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderLink {
    /// Id of the operation before.
    pub from: String,
    /// Id of the operation after.
    pub to: String,
    /// Shortest wait.
    pub min_wait_minutes: u32,
    /// Longest wait.
    pub max_wait_minutes: Option<u32>,
}

/// What is known about a part on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SupplyState {
    /// Ordered, not more.
    Ordered,
    /// A day was named.
    Expected,
    /// It is there.
    Received,
    /// Another one came.
    Wrong,
    /// It came damaged.
    Damaged,
    /// It was sent back.
    Returned,
}

/// How the supply of a part stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Supply {
    /// What was last heard.
    pub state: SupplyState,
    /// How sure its expected time is, in percent.
    pub confidence_percent: Option<u32>,
}

/// Something that operations need: a part or an approval.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Need {
    /// Unique among the parts and approvals of the order.
    pub id: String,
    /// For people; may be empty.
    pub display_name: String,
    /// When it is expected.
    pub expected_time: Option<Timestamp>,
    /// The part is there and checked; the approval was given.
    pub met: bool,
    /// What was last heard of the part; never of an approval.
    pub supply: Option<Supply>,
}

/// The facts of an order, not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderFacts {
    /// Last part of its name.
    pub id: String,
    /// What stands in the yard.
    pub vehicle: String,
    /// Anything else.
    pub note: String,
    /// It will not be done.
    pub cancelled: bool,
    /// When the car comes or came.
    pub arrival_time: Timestamp,
    /// Whether it is there.
    pub arrived: bool,
    /// What was promised.
    pub promise_time: Option<Timestamp>,
    /// Price of a minute after the promise; `None` is the shop's.
    pub late_weight: Option<u32>,
    /// Price of a minute from arrival to completion; `None` is the shop's.
    pub flow_weight: Option<u32>,
    /// Visits.
    pub visits: Vec<OrderVisit>,
    /// Operations.
    pub operations: Vec<OrderOperation>,
    /// Links.
    pub links: Vec<OrderLink>,
    /// Parts.
    pub parts: Vec<Need>,
    /// Approvals.
    pub approvals: Vec<Need>,
}

/// State of an order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OrderState {
    /// There is work left.
    Open,
    /// All operations are done.
    Complete,
    /// It will not be done.
    Cancelled,
}

impl OrderFacts {
    /// Returns the state that follows from the facts.
    pub fn state(&self) -> OrderState {
        if self.cancelled {
            OrderState::Cancelled
        } else if self.operations.iter().all(|operation| matches!(operation.progress, Progress::Done { .. })) {
            OrderState::Complete
        } else {
            OrderState::Open
        }
    }

    /// Returns when the last operation ended, if all are done.
    pub fn completion_time(&self) -> Option<Timestamp> {
        let end = |operation: &OrderOperation| match operation.progress {
            Progress::Done { end_time, .. } => end_time,
            Progress::Waiting | Progress::Running { .. } | Progress::Paused { .. } => Timestamp::MAX,
        };
        let last = self.operations.iter().map(end).max();
        last.filter(|_| self.state() == OrderState::Complete)
    }

    /// Returns the operation with this id.
    pub fn operation(&self, id: &str) -> Option<&OrderOperation> {
        self.operations.iter().find(|operation| operation.id == id)
    }
}

/// An order whose facts hold together and fit its shop. Reads like [`OrderFacts`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order(OrderFacts);

impl Deref for Order {
    type Target = OrderFacts;
    fn deref(&self) -> &OrderFacts {
        &self.0
    }
}

impl Order {
    /// Checks `facts` against `shop` and returns them as an order.
    ///
    /// # Errors
    /// Everything that is wrong, with paths in the names of the contract (`operations[3].crew[0]`).
    pub fn new(facts: OrderFacts, shop: &Shop) -> Result<Order, Vec<Fault>> {
        crate::order_check::faults(&facts, shop).into_result(())?;
        Ok(Order(facts))
    }

    /// Returns the facts, to be changed and checked again.
    pub fn into_facts(self) -> OrderFacts {
        self.0
    }
}
