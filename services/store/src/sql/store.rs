//! [`Store`], one method a transaction.

use async_trait::async_trait;
use fitup_model::ShopFacts;
use jiff::Timestamp;

use super::{Connection, Handle, audit, floor, holds, orders, plans, requests, runs, shops, take_ins, tokens};
use crate::change::{Answer, Change, Encode};
use crate::error::Error;
use crate::meaning::lost_a_race;
use crate::notice::Notices;
use crate::record::{
    AuditEntry, ChangedHold, ClaimedRun, Connections, FloorRecord, HoldRecord, NewHold, NewPlan, NewPlanRun,
    OrderFilter, OrderRecord, Page, PlanRecord, PlanRunRecord, RuleBookRecord, RunCounts, RunEnd, RunProgress,
    ShopRecord, Snapshot, TakeInRecord, ToldRecord,
};
use crate::store::{FloorEdit, HoldEdit, OrderDraft, OrderEdit, ShopEdit, Store, TakeInEdit};
use crate::token::{Digest, NewToken, Scope, TokenRecord};

/// How often a change is tried that keeps losing races.
const ATTEMPTS: u32 = 5;

/// Reads in one transaction.
macro_rules! read {
    ($store:ident, |$connection:ident| $body:expr) => {{
        let mut transaction = $store.begin_reading().await?;
        let $connection: &mut Connection = &mut transaction;
        $body.await
    }};
}

/// Changes in one transaction, once more if it lost a race.
macro_rules! write {
    ($store:ident, $shop:expr, |$connection:ident| $body:expr) => {{
        let mut attempt = 1;
        loop {
            let change = async {
                let mut transaction = $store.begin(None, $shop).await?;
                let $connection: &mut Connection = &mut transaction;
                let value = $body.await?;
                transaction.commit().await?;
                Ok::<_, Error>(value)
            };
            match change.await {
                Err(error) if lost_a_race(&error) && attempt < ATTEMPTS => attempt += 1,
                done => break done,
            }
        }
    }};
}

/// Changes in one transaction, unless the request was answered before.
macro_rules! answer {
    ($store:ident, $change:ident, $shop:expr, $encode:ident, |$connection:ident| $body:expr) => {{
        let mut transaction = $store.begin(Some($change), $shop).await?;
        let $connection: &mut Connection = &mut transaction;
        if let Some(response) = requests::find($connection, $change).await? {
            return Ok(Answer::Repeated(response));
        }
        let value = $body.await?;
        requests::keep($connection, $change, || $encode(&value)).await?;
        transaction.commit().await?;
        Answer::Fresh(value)
    }};
}

#[async_trait]
impl Store for Handle {
    async fn get_shop(&self, shop: &str) -> Result<ShopRecord, Error> {
        read!(self, |connection| shops::get(connection, shop))
    }

    async fn list_shops(&self, page: Page) -> Result<Vec<ShopRecord>, Error> {
        read!(self, |connection| shops::list(connection, &page))
    }

    async fn create_shop(
        &self,
        change: &Change,
        facts: ShopFacts,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error> {
        Ok(answer!(self, change, None, encode, |connection| shops::create(connection, change, &facts)))
    }

    async fn update_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        edit: ShopEdit,
        encode: Encode<ShopRecord>,
    ) -> Result<Answer<ShopRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| shops::update(connection, change, shop, etag, edit)))
    }

    async fn delete_shop(
        &self,
        change: &Change,
        shop: &str,
        etag: Option<&str>,
        encode: Encode<()>,
    ) -> Result<Answer<()>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| shops::delete(connection, change, shop, etag)))
    }

    async fn get_order(&self, shop: &str, order: &str) -> Result<OrderRecord, Error> {
        read!(self, |connection| orders::get(connection, shop, order))
    }

    async fn list_orders(&self, shop: &str, filter: OrderFilter, page: Page) -> Result<Vec<OrderRecord>, Error> {
        read!(self, |connection| orders::list(connection, shop, &filter, &page))
    }

    async fn create_order(
        &self,
        change: &Change,
        shop: &str,
        draft: OrderDraft,
        encode: Encode<OrderRecord>,
    ) -> Result<Answer<OrderRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| orders::create(connection, change, shop, draft)))
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
        Ok(answer!(self, change, Some(shop), encode, |connection| orders::update(
            connection, change, shop, order, etag, edit
        )))
    }

    async fn snapshot(&self, shop: &str) -> Result<Snapshot, Error> {
        read!(self, |connection| runs::snapshot(connection, shop))
    }

    async fn get_hold(&self, shop: &str, hold: &str) -> Result<HoldRecord, Error> {
        read!(self, |connection| holds::get(connection, shop, hold))
    }

    async fn list_holds(
        &self,
        shop: &str,
        standing_at: Option<Timestamp>,
        page: Page,
    ) -> Result<Vec<HoldRecord>, Error> {
        read!(self, |connection| holds::list(connection, shop, standing_at, &page))
    }

    async fn list_told(&self, shop: &str, limit: u32) -> Result<Vec<ToldRecord>, Error> {
        read!(self, |connection| holds::told(connection, shop, limit))
    }

    async fn create_hold(
        &self,
        change: &Change,
        shop: &str,
        revision: i64,
        hold: Result<NewHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| holds::create(
            connection, change, shop, revision, hold
        )))
    }

    async fn change_hold(
        &self,
        change: &Change,
        shop: &str,
        known: (i64, Option<&str>),
        hold: Result<ChangedHold, Error>,
        encode: Encode<HoldRecord>,
    ) -> Result<Answer<HoldRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| holds::change(connection, change, shop, known, hold)))
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
        Ok(answer!(self, change, Some(shop), encode, |connection| holds::end(
            connection, change, shop, hold, etag, edit
        )))
    }

    async fn get_rule_book(&self, shop: &str) -> Result<Option<RuleBookRecord>, Error> {
        read!(self, |connection| take_ins::latest_book(connection, shop))
    }

    async fn put_rule_book(
        &self,
        change: &Change,
        shop: &str,
        revision: Option<i64>,
        text: &str,
        encode: Encode<RuleBookRecord>,
    ) -> Result<Answer<RuleBookRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| take_ins::put_book(
            connection, change, shop, revision, text
        )))
    }

    async fn get_take_in(&self, shop: &str, order: &str) -> Result<TakeInRecord, Error> {
        read!(self, |connection| take_ins::get(connection, shop, order))
    }

    async fn open_take_ins(&self, shop: &str) -> Result<Vec<TakeInRecord>, Error> {
        read!(self, |connection| take_ins::open(connection, shop))
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
        Ok(answer!(self, change, Some(shop), encode, |connection| take_ins::put(
            connection,
            change,
            (shop, order),
            etag,
            first_book,
            edit
        )))
    }

    async fn record_floor(
        &self,
        change: &Change,
        shop: &str,
        order: Option<&str>,
        edit: FloorEdit,
        encode: Encode<FloorRecord>,
    ) -> Result<Answer<FloorRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| floor::record(
            connection,
            change,
            shop,
            (order, edit)
        )))
    }

    async fn list_floor(&self, shop: &str, order: Option<&str>, page: Page) -> Result<Vec<FloorRecord>, Error> {
        read!(self, |connection| floor::list(connection, shop, order, &page))
    }

    async fn save_plans(
        &self,
        change: &Change,
        shop: &str,
        plans: Vec<NewPlan>,
        encode: Encode<Vec<PlanRecord>>,
    ) -> Result<Answer<Vec<PlanRecord>>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| plans::save_all(connection, change, shop, &plans)))
    }

    async fn restore_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: NewPlan,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| plans::restore(connection, change, shop, &plan)))
    }

    async fn save_plan(&self, change: &Change, shop: &str, plan: NewPlan) -> Result<PlanRecord, Error> {
        write!(self, Some(shop), |connection| plans::save(
            connection,
            change,
            shop,
            (&plan.id, plan.shop_revision, &plan.timetable),
            None
        ))
    }

    async fn get_plan(&self, shop: &str, plan: &str) -> Result<PlanRecord, Error> {
        read!(self, |connection| plans::get(connection, shop, plan))
    }

    async fn latest_plan(&self, shop: &str) -> Result<Option<PlanRecord>, Error> {
        read!(self, |connection| plans::latest(connection, shop))
    }

    async fn list_plans(&self, shop: &str, page: Page) -> Result<Vec<PlanRecord>, Error> {
        read!(self, |connection| plans::list(connection, shop, &page))
    }

    async fn publish_plan(
        &self,
        change: &Change,
        shop: &str,
        plan: &str,
        encode: Encode<PlanRecord>,
    ) -> Result<Answer<PlanRecord>, Error> {
        Ok(answer!(self, change, Some(shop), encode, |connection| plans::publish(connection, change, shop, plan)))
    }

    async fn create_run(
        &self,
        change: &Change,
        shop: &str,
        run: NewPlanRun,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error> {
        let answer =
            answer!(self, change, Some(shop), encode, |connection| runs::create(connection, change, shop, &run));
        if let Answer::Fresh(run) = &answer {
            self.tell(run);
        }
        Ok(answer)
    }

    async fn get_run(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
        read!(self, |connection| runs::get(connection, shop, run))
    }

    async fn list_runs(&self, shop: &str, page: Page) -> Result<Vec<PlanRunRecord>, Error> {
        read!(self, |connection| runs::list(connection, shop, &page))
    }

    async fn claim_run(
        &self,
        now: Timestamp,
        worker: &str,
        lease_time: Timestamp,
    ) -> Result<Option<ClaimedRun>, Error> {
        // Most of the time nothing waits: do not queue for the writer then.
        let waiting: bool = read!(self, |connection| runs::is_any_queued(connection))?;
        if !waiting {
            return Ok(None);
        }
        let claimed = write!(self, None, |connection| runs::claim(connection, now, worker, lease_time))?;
        if let Some(claimed) = &claimed {
            self.tell(&claimed.run);
        }
        Ok(claimed)
    }

    async fn report_run(
        &self,
        shop: &str,
        run: &str,
        worker: &str,
        lease_time: Timestamp,
        progress: RunProgress,
    ) -> Result<PlanRunRecord, Error> {
        let run = write!(self, None, |connection| runs::report(connection, shop, run, worker, lease_time, progress))?;
        self.tell(&run);
        Ok(run)
    }

    async fn finish_run(
        &self,
        change: &Change,
        shop: &str,
        run: &str,
        worker: &str,
        progress: RunProgress,
        end: RunEnd,
    ) -> Result<PlanRunRecord, Error> {
        let run =
            write!(self, Some(shop), |connection| runs::finish(connection, change, shop, run, worker, progress, &end))?;
        self.tell(&run);
        Ok(run)
    }

    async fn cancel_run(
        &self,
        change: &Change,
        shop: &str,
        run: &str,
        encode: Encode<PlanRunRecord>,
    ) -> Result<Answer<PlanRunRecord>, Error> {
        let answer =
            answer!(self, change, Some(shop), encode, |connection| runs::cancel(connection, change, shop, run));
        if let Answer::Fresh(run) = &answer {
            self.tell(run);
        }
        Ok(answer)
    }

    async fn requeue_expired_runs(&self, change: &Change, attempt_limit: u32) -> Result<Vec<PlanRunRecord>, Error> {
        let runs = write!(self, None, |connection| runs::requeue_expired(connection, change, attempt_limit))?;
        for run in &runs {
            self.tell(run);
        }
        Ok(runs)
    }

    fn notices(&self) -> Notices {
        self.notices.subscribe()
    }

    async fn find_token(&self, digest: &Digest) -> Result<Option<TokenRecord>, Error> {
        read!(self, |connection| tokens::find(connection, digest))
    }

    async fn list_tokens(&self, within: &Scope, page: Page) -> Result<Vec<TokenRecord>, Error> {
        read!(self, |connection| tokens::list(connection, within, &page))
    }

    async fn create_token(
        &self,
        change: &Change,
        token: NewToken,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error> {
        Ok(answer!(self, change, None, encode, |connection| tokens::create(connection, change, &token)))
    }

    async fn revoke_token(
        &self,
        change: &Change,
        token: &str,
        within: &Scope,
        encode: Encode<TokenRecord>,
    ) -> Result<Answer<TokenRecord>, Error> {
        Ok(answer!(self, change, None, encode, |connection| tokens::revoke(connection, change, token, within)))
    }

    async fn list_latest_audit(
        &self,
        shop: &str,
        resource: Option<&str>,
        before_sequence: Option<i64>,
        limit: u32,
    ) -> Result<Vec<AuditEntry>, Error> {
        read!(self, |connection| audit::list_latest(connection, shop, resource, before_sequence, limit))
    }

    async fn list_audit(&self, shop: &str, after_sequence: i64, limit: u32) -> Result<Vec<AuditEntry>, Error> {
        read!(self, |connection| audit::list(connection, shop, after_sequence, limit))
    }

    async fn answered(&self, change: &Change) -> Result<Option<Vec<u8>>, Error> {
        read!(self, |connection| requests::find(connection, change))
    }

    async fn purge_requests(&self, before: Timestamp) -> Result<u64, Error> {
        write!(self, None, |connection| requests::purge(connection, before))
    }

    async fn ping(&self) -> Result<(), Error> {
        read!(self, |connection| requests::ping(connection))
    }

    async fn count_runs(&self) -> Result<RunCounts, Error> {
        read!(self, |connection| runs::count(connection))
    }

    fn connections(&self) -> Connections {
        self.count_connections()
    }

    async fn close(&self) {
        self.close_all().await;
    }
}
