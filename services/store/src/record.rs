//! What is kept: the facts of the model with what the store adds to them.

use fitup_model::floor::FloorNote;
use fitup_model::{Cost, OrderFacts, OrderState, ShopFacts, TakeInFacts, Timetable};
use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

/// A shop as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShopRecord {
    /// Its facts.
    pub facts: ShopFacts,
    /// Counts the changes of the shop and of its orders, from 1.
    pub revision: i64,
    /// Changes with every change of the shop itself.
    pub etag: String,
    /// Id of the published plan.
    pub published_plan: Option<String>,
    /// When it was entered.
    pub create_time: Timestamp,
    /// When the shop itself last changed.
    pub update_time: Timestamp,
}

/// A repair order as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderRecord {
    /// Its facts.
    pub facts: OrderFacts,
    /// Changes with every change of the order.
    pub etag: String,
    /// When it was entered.
    pub create_time: Timestamp,
    /// When it last changed.
    pub update_time: Timestamp,
}

/// A version of a rule book as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleBookRecord {
    /// Counts the versions of the shop's rule book, from 1.
    pub revision: i64,
    /// The whole file.
    pub text: String,
    /// When it was given.
    pub create_time: Timestamp,
}

/// An order as stored, with what it was made from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakeInRecord {
    /// The order.
    pub order: OrderRecord,
    /// What it was made from.
    pub facts: TakeInFacts,
    /// The rule book by which.
    pub book: RuleBookRecord,
}

/// A part of a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// Id of the last item of the page before; none for the first page.
    pub after: Option<String>,
    /// At most so many items. Ask for one more than you show to learn whether there is another page.
    pub limit: u32,
}

/// Which orders are listed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OrderFilter {
    /// Only orders in these states; empty means all.
    pub states: Vec<OrderState>,
}

/// Everything that a plan is made from, at one revision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// The shop.
    pub shop: ShopRecord,
    /// Its open orders, by id.
    pub orders: Vec<OrderRecord>,
    /// Its holds that nobody has ended, by id, without what their orders were made from; some may be over by their time.
    pub holds: Vec<HoldRecord>,
    /// The published plan.
    pub published: Option<PlanRecord>,
}

/// State of a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum HoldState {
    /// It keeps its place.
    Standing,
    /// Its time is over.
    Expired,
    /// It has become an order.
    Accepted,
    /// It was given up.
    Released,
}

/// A date of a quote that can be promised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum QuotedDate {
    /// Kept in half of the futures.
    Likely,
    /// In 80 of 100.
    P80,
    /// In 95 of 100.
    Safe,
}

/// The dates of a quote.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuotedDates {
    /// If everything takes what is booked.
    pub earliest: Timestamp,
    /// By then in half of the futures; `None` is after the horizon, here and below.
    pub likely: Option<Timestamp>,
    /// In 80 of 100.
    pub p80: Option<Timestamp>,
    /// In 95 of 100.
    pub safe: Option<Timestamp>,
}

/// A hold to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewHold {
    /// The order that it would become, with its promise.
    pub facts: OrderFacts,
    /// Which of the dates that is.
    pub promised: QuotedDate,
    /// The dates that were told.
    pub dates: QuotedDates,
    /// The moment that it was quoted for.
    pub quote_time: Timestamp,
    /// The dates as the futures had them, before they learned from those told earlier: likely, P80, safe.
    pub futures: [Option<Timestamp>; 3],
    /// Until when it stands.
    pub expire_time: Timestamp,
    /// Id of the plan to be published.
    pub plan: String,
    /// The plan with its place, checked by the caller.
    pub timetable: Timetable,
    /// What the order was made from, and by which rule book, 0 for the one that the shop gets as its first; `None` if no
    /// line made it.
    pub take_in: Option<(TakeInFacts, RuleBookRecord)>,
}

/// A hold that stands, changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangedHold {
    /// The hold as it is to be.
    pub hold: NewHold,
    /// It was not quoted anew: its dates stay, and what the futures said when they were told.
    pub kept: bool,
}

/// A hold as stored. Its id is that of its order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldRecord {
    /// The order that it would become, or has become: then as that is now.
    pub facts: OrderFacts,
    /// As noted: one that stands may be over by its time, see [`HoldRecord::state_at`].
    pub state: HoldState,
    /// Which of the dates was promised.
    pub promised: QuotedDate,
    /// The dates.
    pub dates: QuotedDates,
    /// Id of the plan that was published with its place.
    pub plan: String,
    /// What the order was made from, and the revision of the rule book that made it; `None` if no line did.
    pub take_in: Option<(TakeInFacts, i64)>,
    /// Until when it stands.
    pub expire_time: Timestamp,
    /// When it was accepted or released.
    pub end_time: Option<Timestamp>,
    /// Changes with every change of the hold.
    pub etag: String,
    /// When it was made.
    pub create_time: Timestamp,
    /// When it last changed.
    pub update_time: Timestamp,
}

impl HoldRecord {
    /// Returns its state at a moment.
    pub fn state_at(&self, at: Timestamp) -> HoldState {
        if self.state == HoldState::Standing && self.expire_time <= at { HoldState::Expired } else { self.state }
    }
}

/// What the futures said of a hold that has become an order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToldRecord {
    /// Id of the order.
    pub order: String,
    /// The moment that it was quoted for.
    pub quote_time: Timestamp,
    /// Its dates before they learned from those told earlier: likely, P80, safe; `None` is after the horizon.
    pub futures: [Option<Timestamp>; 3],
}

/// How a hold ends before its time is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HoldEnd {
    /// It becomes an order.
    Accepted,
    /// It is given up.
    Released,
}

/// An event of the floor as stored. Records are never changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FloorRecord {
    /// Counts up within the shop, from 1.
    pub id: i64,
    /// Id of the shop.
    pub shop: String,
    /// When it was recorded.
    pub create_time: Timestamp,
    /// Who recorded it.
    pub actor: String,
    /// What was said, and what it met.
    pub note: FloorNote,
}

/// What an event of the floor changes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FloorOutcome {
    /// The shop after it, if it is about the shop.
    pub shop: Option<ShopFacts>,
    /// The order after it, if it is about one.
    pub order: Option<OrderFacts>,
    /// What is kept.
    pub note: FloorNote,
}

/// State of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PlanState {
    /// Proposed.
    Proposed,
    /// The floor works by it.
    Published,
    /// It was published, and another one is now.
    Superseded,
}

/// A plan to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewPlan {
    /// Last part of its name to be.
    pub id: String,
    /// Revision of the shop that it was made for.
    pub shop_revision: i64,
    /// The plan, checked by the caller.
    pub timetable: Timetable,
}

/// A plan as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanRecord {
    /// Last part of its name.
    pub id: String,
    /// State.
    pub state: PlanState,
    /// Id of the plan run that made it.
    pub plan_run: Option<String>,
    /// Revision of the shop that it was made for.
    pub shop_revision: i64,
    /// The shop or its orders have changed since.
    pub stale: bool,
    /// When it was kept.
    pub create_time: Timestamp,
    /// The plan; in a list without its orders and those left out.
    pub timetable: Timetable,
}

/// When a plan run stops, and where its search starts: as asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunLimits {
    /// At most so long, in whole milliseconds.
    pub time_limit: Option<SignedDuration>,
    /// At most so many steps.
    pub iteration_limit: Option<i64>,
    /// Seed of the search.
    pub seed: i64,
    /// A gap that is good enough, 0 to 1.
    pub gap_limit: f64,
    /// The time to plan for.
    pub as_of_time: Option<Timestamp>,
}

/// A plan run to be queued.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPlanRun {
    /// Last part of its name to be.
    pub id: String,
    /// Its limits.
    pub limits: RunLimits,
    /// The time it plans for.
    pub as_of_time: Timestamp,
    /// It is refused if so many plan runs of the shop have not ended.
    pub unfinished_limit: u32,
    /// It is refused if so many plan runs of all shops have not ended; a few more get in if they are asked for at once.
    pub unfinished_limit_in_all: u32,
}

/// State of a plan run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RunState {
    /// Waits for a free place.
    Queued,
    /// Searches.
    Running,
    /// Ended with a plan.
    Succeeded,
    /// Cancelled, with the best plan found, if there was one.
    Cancelled,
    /// Ended without a plan.
    Failed,
}

impl RunState {
    /// Tells whether it stays so.
    pub fn is_final(self) -> bool {
        !matches!(self, RunState::Queued | RunState::Running)
    }
}

/// What a search is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Phase {
    /// Builds first plans.
    Construct,
    /// Improves the best plan.
    Improve,
    /// Raises the bound.
    Bound,
    /// Solves an integer program.
    Exact,
}

/// How far a search is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct RunProgress {
    /// What it is at; `None` before it starts.
    pub phase: Option<Phase>,
    /// Price of the best plan so far.
    pub best_price: Option<Cost>,
    /// No plan costs less.
    pub bound: Cost,
}

/// A plan run as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanRunRecord {
    /// Last part of its name.
    pub id: String,
    /// Id of its shop.
    pub shop: String,
    /// State.
    pub state: RunState,
    /// Its limits, as asked for.
    pub limits: RunLimits,
    /// How far it is.
    pub progress: RunProgress,
    /// Id of the plan that it ended with.
    pub plan: Option<String>,
    /// Why it ended without a plan; empty unless it failed.
    pub failure: String,
    /// Revision of the shop that it works on: the one at its last claim, before that the one when it was asked for.
    pub shop_revision: i64,
    /// The time it plans for.
    pub as_of_time: Timestamp,
    /// Somebody wants it to end.
    pub cancel_requested: bool,
    /// How often it was claimed.
    pub attempts: u32,
    /// Who works on it, or ended it.
    pub worker: Option<String>,
    /// Until when it is the worker's, while it runs.
    pub lease_time: Option<Timestamp>,
    /// When it was asked for.
    pub create_time: Timestamp,
    /// When it left the queue, last time.
    pub start_time: Option<Timestamp>,
    /// When it ended.
    pub end_time: Option<Timestamp>,
}

/// A plan run with what it works on, read in one transaction.
#[derive(Debug, Clone, PartialEq)]
pub struct ClaimedRun {
    /// The plan run.
    pub run: PlanRunRecord,
    /// What it plans.
    pub snapshot: Snapshot,
}

/// How a plan run ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunEnd {
    /// With a plan, made for the revision of the snapshot that was claimed.
    Succeeded {
        /// Id of the plan to be.
        plan: String,
        /// The plan.
        timetable: Box<Timetable>,
    },
    /// Cancelled, with the best plan found, if there was one.
    Cancelled {
        /// Id of the plan to be, and the plan.
        best: Option<(String, Box<Timetable>)>,
    },
    /// Without a plan.
    Failed {
        /// Why.
        failure: String,
    },
}

/// Stands in the audit trail in place of a shop for what is about no single one, such as a token for all shops.
pub const NO_SHOP: &str = "-";

/// An entry of the audit trail. Entries are never changed and never removed, not even with their shop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditEntry {
    /// Counts up.
    pub sequence: i64,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub actor: String,
    /// Who has the token of the actor, if it is one.
    pub actor_display_name: Option<String>,
    /// From where: the address that the call came from; `None` for what the service did by itself.
    pub origin: Option<String>,
    /// Request id, if there was one.
    pub request: Option<Uuid>,
    /// Id of the shop.
    pub shop: String,
    /// Name of what was changed.
    pub resource: String,
    /// What was done: `create`, `update`, `delete`, `publish`, `queue`, `claim`, `finish`, `cancel`, `requeue`.
    pub action: String,
    /// Revision of the shop before.
    pub revision_before: i64,
    /// Revision of the shop after.
    pub revision_after: i64,
    /// What differs, as JSON: an object from the path of each field to `[before, after]`.
    pub difference: String,
}

/// How many plan runs of all shops wait and run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RunCounts {
    /// In the queue.
    pub queued: i64,
    /// Under way, on whichever server.
    pub running: i64,
}

/// How many connections a server has to its database.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Connections {
    /// All of them.
    pub open: u32,
    /// Those that nobody uses at the moment.
    pub idle: u32,
}
