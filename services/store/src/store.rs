//! What can be done with what is kept. Object safe: the server holds an `Arc<dyn Store>`.
//!
//! Every change is one transaction with its entry in the audit trail and its kept response: all or nothing. A change
//! whose request was answered before does nothing and returns the response of then ([`Answer::Repeated`]), even if the
//! same change would be refused now. A change that differs in nothing from what is stored leaves revision, etag and
//! audit trail alone.
//!
//! Instants are kept in microseconds; records returned are read back, so they are what will be read later.

use async_trait::async_trait;
use fitup_model::{OrderFacts, ShopFacts, TakeInFacts, Timetable};
use jiff::Timestamp;

use crate::change::{Answer, Change, Encode, Refusal};
use crate::error::Error;
use crate::notice::Notices;
use crate::record::{
    AuditEntry, ChangedHold, ClaimedRun, Connections, FloorOutcome, FloorRecord, HoldEnd, HoldRecord, NewHold, NewPlan,
    NewPlanRun, OrderFilter, OrderRecord, Page, PlanRecord, PlanRunRecord, RuleBookRecord, RunCounts, RunEnd,
    RunProgress, ShopRecord, Snapshot, TakeInRecord, ToldRecord,
};
use crate::token::{Digest, NewToken, Scope, TokenRecord};

/// Makes the new facts of a shop from those stored; its open orders are there to be checked against. Called inside the
/// transaction, at most once. The id of the shop must stay.
pub type ShopEdit = Box<dyn FnOnce(&ShopFacts, &[OrderFacts]) -> Result<ShopFacts, Refusal> + Send>;

/// Makes the facts of a new order of a shop. Called inside the transaction, at most once.
pub type OrderDraft = Box<dyn FnOnce(&ShopFacts) -> Result<OrderFacts, Refusal> + Send>;

/// Makes the new facts of an order from those stored and its shop. Called inside the transaction, at most once. The id
/// of the order must stay.
pub type OrderEdit = Box<dyn FnOnce(&OrderFacts, &ShopFacts) -> Result<OrderFacts, Refusal> + Send>;

/// What is known when an order is made from lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakeInStored {
    /// The shop.
    pub shop: ShopFacts,
    /// The order, if there is one.
    pub order: Option<OrderFacts>,
    /// What it was made from, and by which rule book, if it was made from lines.
    pub take_in: Option<(TakeInFacts, RuleBookRecord)>,
    /// The rule book of the shop.
    pub book: RuleBookRecord,
}

/// Makes an order and what it is made from. Called inside the transaction, at most once. The id of the order must stay.
pub type TakeInEdit = Box<dyn FnOnce(&TakeInStored) -> Result<(OrderFacts, TakeInFacts), Refusal> + Send>;

/// Makes what an event of the floor changes from the shop, its open orders and its published plan. Called inside the
/// transaction, at most once.
pub type FloorEdit =
    Box<dyn FnOnce(&ShopFacts, &[OrderFacts], Option<&Timetable>) -> Result<FloorOutcome, Refusal> + Send>;

/// Says how a hold ends, from the hold and its shop; `None` leaves it as it is. Called inside the transaction, at most
/// once.
pub type HoldEdit = Box<dyn FnOnce(&HoldRecord, &ShopFacts) -> Result<Option<HoldEnd>, Refusal> + Send>;

/// A database of shops.
#[async_trait]
pub trait Store: Send + Sync {
    // Shops.

    /// Returns a shop.
    async fn get_shop(&self, shop: &str) -> Result<ShopRecord, Error>;

    /// Returns shops by id.
    async fn list_shops(&self, page: Page) -> Result<Vec<ShopRecord>, Error>;

    /// Enters a shop.
    async fn create_shop(
        &self,
        change: &Change,
        facts: ShopFacts,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error>;

    /// Changes a shop; with an `etag` only if it is the shop's.
    async fn update_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        edit: ShopEdit,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error>;

    /// Removes a shop with its orders, plans and plan runs; with an `etag` only if it is the shop's.
    async fn delete_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        encode: Encode<()>,
    ) -> Result<Answer<()>, Error>;

    // Orders.

    /// Returns an order.
    async fn get_order(&self, shop: &str, order: &str) -> Result<OrderRecord, Error>;

    /// Returns orders of a shop by id.
    async fn list_orders(&self, shop: &str, filter: OrderFilter, page: Page) -> Result<Vec<OrderRecord>, Error>;

    /// Enters an order.
    async fn create_order(
        &self,
        change: &Change,
        shop: &str,
        draft: OrderDraft,
        encode: Encode<OrderRecord>,
    ) -> Result<Answer<OrderRecord>, Error>;

    /// Changes or cancels an order; with an `etag` only if it is the order's.
    async fn update_order(
        &self,
        change: &Change,
        shop: &str,
        order: &str,
        etag: Option<&str>,
        edit: OrderEdit,
        encode: Encode<OrderRecord>,
    ) -> Result<Answer<OrderRecord>, Error>;

    /// Returns what a plan is made from, all of one revision.
    async fn snapshot(&self, shop: &str) -> Result<Snapshot, Error>;

    // Holds.

    /// Returns a hold, whatever its state.
    async fn get_hold(&self, shop: &str, hold: &str) -> Result<HoldRecord, Error>;

    /// Returns holds of a shop by id; with `standing_at` only those that stand then.
    async fn list_holds(
        &self,
        shop: &str,
        standing_at: Option<Timestamp>,
        page: Page,
    ) -> Result<Vec<HoldRecord>, Error>;

    /// Returns what the futures said of the holds that were accepted, the latest `limit` of them, in the order in which
    /// they were quoted.
    async fn list_told(&self, shop: &str, limit: u32) -> Result<Vec<ToldRecord>, Error>;

    /// Makes a hold and publishes the plan with its place, if the shop is still at `revision`. An order or a standing
    /// hold of its id is in its way; one that is over is replaced.
    ///
    /// A hold that could not be quoted is handed over as the error that it is: a repeat of a request that was answered
    /// before gets that answer all the same.
    ///
    /// # Errors
    /// [`Error::EtagMismatch`] of the shop if it has another revision.
    async fn create_hold(
        &self,
        change: &Change,
        shop: &str,
        revision: i64,
        hold: Result<NewHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error>;

    /// Changes a hold that stands, if the shop is still at the revision and the hold has still the etag of `known`: its old
    /// place is free and the plan with its new one is published in the same transaction.
    ///
    /// A hold that could not be quoted is handed over as in [`Store::create_hold`].
    ///
    /// # Errors
    /// [`Error::EtagMismatch`] of the shop or of the hold if they have changed, or the hold stands no more.
    async fn change_hold(
        &self,
        change: &Change,
        shop: &str,
        known: (i64, Option<&str>),
        hold: Result<ChangedHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error>;

    /// Ends a hold; with an `etag` only if it is the hold's. One that is accepted is an order from then on, in its place
    /// in the plans that have one for it.
    async fn end_hold(
        &self,
        change: &Change,
        shop: &str,
        hold: &str,
        etag: Option<&str>,
        edit: HoldEdit,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error>;

    // Rule books, and what orders were made from.

    /// Returns the latest rule book of a shop; `None` if it has none of its own.
    async fn get_rule_book(&self, shop: &str) -> Result<Option<RuleBookRecord>, Error>;

    /// Gives a shop a rule book; with a `revision` only if it is the shop's, 0 for none.
    async fn put_rule_book(
        &self,
        change: &Change,
        shop: &str,
        revision: Option<i64>,
        text: &str,
        encode: Encode<RuleBookRecord>,
    ) -> Result<Answer<RuleBookRecord>, Error>;

    /// Returns what an order was made from.
    async fn get_take_in(&self, shop: &str, order: &str) -> Result<TakeInRecord, Error>;

    /// Returns what the open orders of a shop were made from, by id; those not made from lines are not among them.
    async fn open_take_ins(&self, shop: &str) -> Result<Vec<TakeInRecord>, Error>;

    /// Enters or changes an order with what it is made from; with an `etag` only if it is the order's. A shop without a
    /// rule book of its own gets `first_book`, and keeps it.
    #[allow(clippy::too_many_arguments, reason = "each says another thing")]
    async fn take_in(
        &self,
        change: &Change,
        shop: &str,
        order: &str,
        etag: Option<&str>,
        first_book: &str,
        edit: TakeInEdit,
        encode: Encode<TakeInRecord>,
    ) -> Result<Answer<TakeInRecord>, Error>;

    // The floor.

    /// Changes the facts that an event changes, and keeps the event.
    ///
    /// The edit sees all open orders, and the one named, whatever its state.
    async fn record_floor(
        &self,
        change: &Change,
        shop: &str,
        order: Option<&str>,
        edit: FloorEdit,
        encode: Encode<FloorRecord>,
    ) -> Result<Answer<FloorRecord>, Error>;

    /// Returns the events of a shop, or of an order of it, the latest first. Pages go by id.
    async fn list_floor(&self, shop: &str, order: Option<&str>, page: Page) -> Result<Vec<FloorRecord>, Error>;

    // Plans.

    /// Keeps plans as proposals, all for the revision that they say.
    async fn save_plans(
        &self,
        change: &Change,
        shop: &str,
        plans: Vec<NewPlan>,
        encode: Encode<Vec<PlanRecord>>,
    ) -> Result<Answer<Vec<PlanRecord>>, Error>;

    /// Keeps a plan that was made for the current revision of its shop and publishes it, in one transaction.
    async fn restore_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: NewPlan,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error>;

    /// Keeps a plan as a proposal.
    async fn save_plan(&self, change: &Change, shop: &str, plan: NewPlan) -> Result<PlanRecord, Error>;

    /// Returns a plan.
    async fn get_plan(&self, shop: &str, plan: &str) -> Result<PlanRecord, Error>;

    /// Returns the published plan, and if there is none the one kept last.
    async fn latest_plan(&self, shop: &str) -> Result<Option<PlanRecord>, Error>;

    /// Returns plans of a shop without their orders, the one kept last first.
    async fn list_plans(&self, shop: &str, page: Page) -> Result<Vec<PlanRecord>, Error>;

    /// Publishes a plan that was made for the current revision of its shop, in place of the one published before.
    async fn publish_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: &str,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error>;

    // Plan runs.

    /// Queues a plan run.
    async fn create_run(
        &self,
        change: &Change,
        shop: &str,
        run: NewPlanRun,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error>;

    /// Returns a plan run.
    async fn get_run(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error>;

    /// Returns plan runs of a shop, the one asked for last first.
    async fn list_runs(&self, shop: &str, page: Page) -> Result<Vec<PlanRunRecord>, Error>;

    /// Gives the plan run that waits longest to `worker` until `lease_time`; `None` if none waits. One whose shop is
    /// being changed at the moment may be passed over: ask again now and then, not only after a notice.
    async fn claim_run(&self, now: Timestamp, worker: &str, lease_time: Timestamp)
    -> Result<Option<ClaimedRun>, Error>;

    /// Notes how far a plan run is and extends its lease. The run that is returned says whether to cancel.
    ///
    /// # Errors
    /// [`Error::LeaseLost`] if the run is no longer the worker's, who then drops it.
    async fn report_run(
        &self,
        shop: &str,
        run: &str,
        worker: &str,
        lease_time: Timestamp,
        progress: RunProgress,
    ) -> Result<PlanRunRecord, Error>;

    /// Ends a plan run, and keeps its plan in the same transaction.
    ///
    /// # Errors
    /// [`Error::LeaseLost`] if the run is no longer the worker's; nothing is kept then.
    async fn finish_run(
        &self,
        change: &Change,
        shop: &str,
        run: &str,
        worker: &str,
        progress: RunProgress,
        end: RunEnd,
    ) -> Result<PlanRunRecord, Error>;

    /// Cancels a plan run: at once if it waits, by its worker if it runs, without effect if it has ended.
    async fn cancel_run(
        &self,
        change: &Change,
        shop: &str,
        run: &str,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error>;

    /// Takes plan runs whose lease has expired at `change.at` from their workers and returns them: cancelled if that
    /// was asked for, failed after `attempt_limit` attempts, else queued again in their old place. Those whose shop is
    /// being changed at the moment may be left for the next time.
    async fn requeue_expired_runs(&self, change: &Change, attempt_limit: u32) -> Result<Vec<PlanRunRecord>, Error>;

    /// Returns the news of plan runs from now on, whichever server makes it.
    fn notices(&self) -> Notices;

    // Tokens.

    /// Returns the token whose secret has this digest, revoked and expired ones too.
    async fn find_token(&self, digest: &Digest) -> Result<Option<TokenRecord>, Error>;

    /// Returns tokens by id: those that are for no shop outside of `within`.
    async fn list_tokens(&self, within: &Scope, page: Page) -> Result<Vec<TokenRecord>, Error>;

    /// Makes a token.
    async fn create_token(
        &self,
        change: &Change,
        token: NewToken,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error>;

    /// Revokes a token for good; one for a shop outside of `within` is not found.
    async fn revoke_token(
        &self,
        change: &Change,
        token: &str,
        within: &Scope,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error>;

    // The rest.

    /// Returns entries of the audit trail of a shop, or of [`NO_SHOP`](crate::NO_SHOP), the last first: those before a
    /// sequence number, and with a `resource` only those of it and of what is in it.
    async fn list_latest_audit(
        &self,
        shop: &str,
        resource: Option<&str>,
        before_sequence: Option<i64>,
        limit: u32,
    ) -> Result<Vec<AuditEntry>, Error>;

    /// Returns at most `limit` entries of the audit trail of a shop after a sequence number, 0 for the first.
    async fn list_audit(&self, shop: &str, after_sequence: i64, limit: u32) -> Result<Vec<AuditEntry>, Error>;

    /// Returns the kept answer to the request of `change`, if it was answered before: for those whose work comes before
    /// their change.
    async fn answered(&self, change: &Change) -> Result<Option<Vec<u8>>, Error>;

    /// Forgets the responses of requests before `before`, and returns how many.
    async fn purge_requests(&self, before: Timestamp) -> Result<u64, Error>;

    /// Tells whether the database answers, for readiness.
    async fn ping(&self) -> Result<(), Error>;

    /// Returns how many plan runs wait and run, of all shops.
    async fn count_runs(&self) -> Result<RunCounts, Error>;

    /// Returns how many connections there are to the database.
    fn connections(&self) -> Connections;

    /// Closes all connections after the changes under way; everything fails from then on.
    async fn close(&self);
}
