//! The store as the caller of the moment sees it.
//!
//! A foreign shop does not exist: what is asked of it is asked of a shop that cannot be ([`NOWHERE`]), so that the
//! answer, its details and the work behind it are those for a shop that does not exist, also in ways that nobody has
//! thought of. It fails closed: outside of a call, in a task that a call has spawned too, nothing is seen at all.
//! Services get this store; what the server does by itself works on the store behind it.

use std::sync::Arc;

use fitup_model::ShopFacts;
use fitup_store::{
    Answer, AuditEntry, Change, ChangedHold, ClaimedRun, Connections, Digest, Encode, Error, FloorEdit, FloorRecord,
    HoldEdit, HoldRecord, NewHold, NewPlan, NewPlanRun, NewToken, Notices, OrderDraft, OrderEdit, OrderFilter,
    OrderRecord, Page, PlanRecord, PlanRunRecord, RuleBookRecord, RunCounts, RunEnd, RunProgress, Scope, ShopEdit,
    ShopRecord, Snapshot, Store, TakeInEdit, TakeInRecord, TokenRecord, ToldRecord,
};
use jiff::Timestamp;

/// The id of a shop that cannot be: the database refuses such an id.
const NOWHERE: &str = "~";

/// The store as the caller of the moment sees it.
pub struct Guarded(pub Arc<dyn Store>);

/// A shop as the caller sees it.
struct Seen<'a> {
    asked: &'a str,
    is_seen: bool,
}

impl Seen<'_> {
    fn id(&self) -> &str {
        if self.is_seen { self.asked } else { NOWHERE }
    }

    /// Returns an answer in the names that were asked for.
    fn told<T>(&self, answer: Result<T, Error>) -> Result<T, Error> {
        match answer {
            Err(Error::NotFound { name }) if !self.is_seen => {
                let rest = name.strip_prefix("shops/").and_then(|rest| rest.strip_prefix(NOWHERE));
                Err(Error::NotFound { name: rest.map_or(name.clone(), |rest| format!("shops/{}{rest}", self.asked)) })
            }
            answer => answer,
        }
    }
}

fn scope() -> Scope {
    super::caller().map_or_else(|| Scope::Shops(Default::default()), |caller| caller.scope)
}

fn seen(shop: &str) -> Seen<'_> {
    Seen { asked: shop, is_seen: scope().has(shop) }
}

/// Asks the store behind about a shop.
macro_rules! ask {
    ($self:ident, $method:ident($($before:expr)?; $shop:expr $(, $after:expr)*)) => {{
        let seen = seen($shop);
        let answer = $self.0.$method($($before,)? seen.id() $(, $after)*).await;
        seen.told(answer)
    }};
}

/// What only the server itself does.
fn not_for_callers<T>() -> Result<T, Error> {
    Err(Error::Corrupt("a call did what only the server itself does".into()))
}

#[tonic::async_trait]
impl Store for Guarded {
    async fn get_shop(&self, shop: &str) -> Result<ShopRecord, Error> {
        ask!(self, get_shop(; shop))
    }

    async fn list_shops(&self, page: Page) -> Result<Vec<ShopRecord>, Error> {
        let Scope::Shops(own) = scope() else { return self.0.list_shops(page).await };
        let after = page.after.unwrap_or_default();
        let mut shops = Vec::new();
        for shop in own.iter().filter(|shop| **shop > after) {
            if shops.len() >= page.limit as usize {
                break;
            }
            match self.0.get_shop(shop).await {
                Ok(record) => shops.push(record),
                Err(Error::NotFound { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(shops)
    }

    async fn create_shop(
        &self,
        change: &Change,
        facts: ShopFacts,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error> {
        if !scope().has(&facts.id) {
            // The service has refused it before.
            return not_for_callers();
        }
        self.0.create_shop(change, facts, encode).await
    }

    async fn update_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        edit: ShopEdit,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error> {
        ask!(self, update_shop(change; shop, etag, edit, encode))
    }

    async fn delete_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        encode: Encode<()>,
    ) -> Result<Answer<()>, Error> {
        ask!(self, delete_shop(change; shop, etag, encode))
    }

    async fn get_order(&self, shop: &str, order: &str) -> Result<OrderRecord, Error> {
        ask!(self, get_order(; shop, order))
    }

    async fn list_orders(&self, shop: &str, filter: OrderFilter, page: Page) -> Result<Vec<OrderRecord>, Error> {
        ask!(self, list_orders(; shop, filter, page))
    }

    async fn create_order(
        &self,
        change: &Change,
        shop: &str,
        draft: OrderDraft,
        encode: Encode<OrderRecord>,
    ) -> Result<Answer<OrderRecord>, Error> {
        ask!(self, create_order(change; shop, draft, encode))
    }

    async fn update_order(
        &self,
        change: &Change,
        shop: &str,
        order: &str,
        etag: Option<&str>,
        edit: OrderEdit,
        encode: Encode<OrderRecord>,
    ) -> Result<Answer<OrderRecord>, Error> {
        ask!(self, update_order(change; shop, order, etag, edit, encode))
    }

    async fn snapshot(&self, shop: &str) -> Result<Snapshot, Error> {
        ask!(self, snapshot(; shop))
    }

    async fn get_hold(&self, shop: &str, hold: &str) -> Result<HoldRecord, Error> {
        ask!(self, get_hold(; shop, hold))
    }

    async fn list_holds(
        &self,
        shop: &str,
        standing_at: Option<Timestamp>,
        page: Page,
    ) -> Result<Vec<HoldRecord>, Error> {
        ask!(self, list_holds(; shop, standing_at, page))
    }

    async fn list_told(&self, shop: &str, limit: u32) -> Result<Vec<ToldRecord>, Error> {
        ask!(self, list_told(; shop, limit))
    }

    async fn create_hold(
        &self,
        change: &Change,
        shop: &str,
        revision: i64,
        hold: Result<NewHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error> {
        ask!(self, create_hold(change; shop, revision, hold, encode))
    }

    async fn change_hold(
        &self,
        change: &Change,
        shop: &str,
        known: (i64, Option<&str>),
        hold: Result<ChangedHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error> {
        ask!(self, change_hold(change; shop, known, hold, encode))
    }

    async fn end_hold(
        &self,
        change: &Change,
        shop: &str,
        hold: &str,
        etag: Option<&str>,
        edit: HoldEdit,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error> {
        ask!(self, end_hold(change; shop, hold, etag, edit, encode))
    }

    async fn get_rule_book(&self, shop: &str) -> Result<Option<RuleBookRecord>, Error> {
        ask!(self, get_rule_book(; shop))
    }

    async fn put_rule_book(
        &self,
        change: &Change,
        shop: &str,
        revision: Option<i64>,
        text: &str,
        encode: Encode<RuleBookRecord>,
    ) -> Result<Answer<RuleBookRecord>, Error> {
        ask!(self, put_rule_book(change; shop, revision, text, encode))
    }

    async fn get_take_in(&self, shop: &str, order: &str) -> Result<TakeInRecord, Error> {
        ask!(self, get_take_in(; shop, order))
    }

    async fn open_take_ins(&self, shop: &str) -> Result<Vec<TakeInRecord>, Error> {
        ask!(self, open_take_ins(; shop))
    }

    async fn take_in(
        &self,
        change: &Change,
        shop: &str,
        order: &str,
        etag: Option<&str>,
        first_book: &str,
        edit: TakeInEdit,
        encode: Encode<TakeInRecord>,
    ) -> Result<Answer<TakeInRecord>, Error> {
        ask!(self, take_in(change; shop, order, etag, first_book, edit, encode))
    }

    async fn record_floor(
        &self,
        change: &Change,
        shop: &str,
        order: Option<&str>,
        edit: FloorEdit,
        encode: Encode<FloorRecord>,
    ) -> Result<Answer<FloorRecord>, Error> {
        ask!(self, record_floor(change; shop, order, edit, encode))
    }

    async fn list_floor(&self, shop: &str, order: Option<&str>, page: Page) -> Result<Vec<FloorRecord>, Error> {
        ask!(self, list_floor(; shop, order, page))
    }

    async fn save_plans(
        &self,
        change: &Change,
        shop: &str,
        plans: Vec<NewPlan>,
        encode: Encode<Vec<PlanRecord>>,
    ) -> Result<Answer<Vec<PlanRecord>>, Error> {
        ask!(self, save_plans(change; shop, plans, encode))
    }

    async fn restore_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: NewPlan,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error> {
        ask!(self, restore_plan(change; shop, plan, encode))
    }

    async fn save_plan(&self, change: &Change, shop: &str, plan: NewPlan) -> Result<PlanRecord, Error> {
        ask!(self, save_plan(change; shop, plan))
    }

    async fn get_plan(&self, shop: &str, plan: &str) -> Result<PlanRecord, Error> {
        ask!(self, get_plan(; shop, plan))
    }

    async fn latest_plan(&self, shop: &str) -> Result<Option<PlanRecord>, Error> {
        ask!(self, latest_plan(; shop))
    }

    async fn list_plans(&self, shop: &str, page: Page) -> Result<Vec<PlanRecord>, Error> {
        ask!(self, list_plans(; shop, page))
    }

    async fn publish_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: &str,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error> {
        ask!(self, publish_plan(change; shop, plan, encode))
    }

    async fn create_run(
        &self,
        change: &Change,
        shop: &str,
        run: NewPlanRun,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error> {
        ask!(self, create_run(change; shop, run, encode))
    }

    async fn get_run(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
        ask!(self, get_run(; shop, run))
    }

    async fn list_runs(&self, shop: &str, page: Page) -> Result<Vec<PlanRunRecord>, Error> {
        ask!(self, list_runs(; shop, page))
    }

    async fn claim_run(&self, _: Timestamp, _: &str, _: Timestamp) -> Result<Option<ClaimedRun>, Error> {
        not_for_callers()
    }

    async fn report_run(
        &self,
        _: &str,
        _: &str,
        _: &str,
        _: Timestamp,
        _: RunProgress,
    ) -> Result<PlanRunRecord, Error> {
        not_for_callers()
    }

    async fn finish_run(
        &self,
        _: &Change,
        _: &str,
        _: &str,
        _: &str,
        _: RunProgress,
        _: RunEnd,
    ) -> Result<PlanRunRecord, Error> {
        not_for_callers()
    }

    async fn cancel_run(
        &self,
        change: &Change,
        shop: &str,
        run: &str,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error> {
        ask!(self, cancel_run(change; shop, run, encode))
    }

    async fn requeue_expired_runs(&self, _: &Change, _: u32) -> Result<Vec<PlanRunRecord>, Error> {
        not_for_callers()
    }

    /// Notices say that something has changed and not what; whoever reads it then is asked again.
    fn notices(&self) -> Notices {
        self.0.notices()
    }

    async fn find_token(&self, _: &Digest) -> Result<Option<TokenRecord>, Error> {
        not_for_callers()
    }

    async fn list_tokens(&self, within: &Scope, page: Page) -> Result<Vec<TokenRecord>, Error> {
        self.0.list_tokens(&narrower(within), page).await
    }

    async fn create_token(
        &self,
        change: &Change,
        token: NewToken,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error> {
        if !scope().covers(&token.scope) {
            // The service has refused it before.
            return not_for_callers();
        }
        self.0.create_token(change, token, encode).await
    }

    async fn revoke_token(
        &self,
        change: &Change,
        token: &str,
        within: &Scope,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error> {
        self.0.revoke_token(change, token, &narrower(within), encode).await
    }

    async fn list_latest_audit(
        &self,
        shop: &str,
        resource: Option<&str>,
        before_sequence: Option<i64>,
        limit: u32,
    ) -> Result<Vec<AuditEntry>, Error> {
        ask!(self, list_latest_audit(; shop, resource, before_sequence, limit))
    }

    async fn list_audit(&self, shop: &str, after_sequence: i64, limit: u32) -> Result<Vec<AuditEntry>, Error> {
        ask!(self, list_audit(; shop, after_sequence, limit))
    }

    /// Each caller has request ids of their own.
    async fn answered(&self, change: &Change) -> Result<Option<Vec<u8>>, Error> {
        self.0.answered(change).await
    }

    async fn purge_requests(&self, _: Timestamp) -> Result<u64, Error> {
        not_for_callers()
    }

    async fn ping(&self) -> Result<(), Error> {
        self.0.ping().await
    }

    async fn count_runs(&self) -> Result<RunCounts, Error> {
        not_for_callers()
    }

    fn connections(&self) -> Connections {
        self.0.connections()
    }

    async fn close(&self) {}
}

/// Returns what is within both `within` and the shops of the caller.
fn narrower(within: &Scope) -> Scope {
    match (within, scope()) {
        (within, Scope::All) => within.clone(),
        (Scope::All, own) => own,
        (Scope::Shops(some), Scope::Shops(own)) => Scope::Shops(own.intersection(some).cloned().collect()),
    }
}
