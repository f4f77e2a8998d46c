//! Holds as they are read, with the facts of their orders.

use std::collections::HashMap;

use fitup_model::{OrderFacts, TakeInFacts};

use super::super::order_rows::{self, Selection};
use super::super::rows::{instant, micros, optional_instant};
use super::super::shop_rows::etag;
use super::super::{Connection, shops, take_ins};
use super::{date, name, state};
use crate::error::Error;
use crate::record::{HoldRecord, HoldState, Page, QuotedDates, ToldRecord};

#[derive(sqlx::FromRow)]
struct HoldRow {
    order_id: String,
    state: String,
    promised: String,
    earliest_time: i64,
    likely_time: Option<i64>,
    p80_time: Option<i64>,
    safe_time: Option<i64>,
    plan_id: String,
    expire_time: i64,
    end_time: Option<i64>,
    version: i64,
    create_time: i64,
    update_time: i64,
    /// Revision of the rule book, if lines made its order.
    revision: Option<i64>,
}

impl HoldRow {
    fn record(self, facts: OrderFacts, take_in: Option<(TakeInFacts, i64)>) -> Result<HoldRecord, Error> {
        Ok(HoldRecord {
            facts,
            state: state(&self.state)?,
            promised: date(&self.promised)?,
            dates: QuotedDates {
                earliest: instant(self.earliest_time)?,
                likely: optional_instant(self.likely_time)?,
                p80: optional_instant(self.p80_time)?,
                safe: optional_instant(self.safe_time)?,
            },
            plan: self.plan_id,
            take_in,
            expire_time: instant(self.expire_time)?,
            end_time: optional_instant(self.end_time)?,
            etag: etag(self.create_time, self.version),
            create_time: instant(self.create_time)?,
            update_time: instant(self.update_time)?,
        })
    }
}

/// Returns a hold.
pub async fn get(connection: &mut Connection, shop: &str, hold: &str) -> Result<HoldRecord, Error> {
    let row: Option<HoldRow> = sqlx::query_as(
        "select hold.*, revision
        from hold
        left join take_in using (shop_id, order_id)
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(hold)
    .fetch_optional(&mut *connection)
    .await?;
    let row = row.ok_or_else(|| Error::NotFound { name: name(shop, hold) })?;
    with_facts(connection, shop, row).await
}

async fn with_facts(connection: &mut Connection, shop: &str, row: HoldRow) -> Result<HoldRecord, Error> {
    let held = state(&row.state)? != HoldState::Accepted;
    let selection = Selection { held, ..Selection::one(shop, &row.order_id) };
    let order = order_rows::load(connection, selection).await?.pop();
    let missing = || Error::Corrupt(format!("the order of {} is missing", name(shop, &row.order_id)));
    let facts = order.ok_or_else(missing)?.facts;
    let take_in = take_in(connection, shop, &row).await?;
    row.record(facts, take_in)
}

async fn take_in(connection: &mut Connection, shop: &str, row: &HoldRow) -> Result<Option<(TakeInFacts, i64)>, Error> {
    match row.revision {
        Some(_) => take_ins::made_from(connection, shop, &row.order_id).await,
        None => Ok(None),
    }
}

/// Does the same for many, which come by id: their orders are read at once, the lines of each that has some apart.
async fn all_with_facts(connection: &mut Connection, shop: &str, rows: Vec<HoldRow>) -> Result<Vec<HoldRecord>, Error> {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(Vec::new()) };
    let selection =
        Selection { shop, first: &first.order_id, last: &last.order_id, states: order_rows::states(&[]), held: true };
    let held = order_rows::load(connection, selection).await?.into_iter();
    let mut held: HashMap<String, OrderFacts> = held.map(|order| (order.facts.id.clone(), order.facts)).collect();
    let mut holds = Vec::with_capacity(rows.len());
    for row in rows {
        holds.push(match held.remove(&row.order_id) {
            Some(facts) => {
                let take_in = take_in(connection, shop, &row).await?;
                row.record(facts, take_in)?
            }
            None => with_facts(connection, shop, row).await?,
        });
    }
    Ok(holds)
}

/// Returns holds by id; with `standing_at` only those that stand then.
pub async fn list(
    connection: &mut Connection,
    shop: &str,
    standing_at: Option<jiff::Timestamp>,
    page: &Page,
) -> Result<Vec<HoldRecord>, Error> {
    shops::revision(connection, shop).await?;
    let rows: Vec<HoldRow> = sqlx::query_as(
        "select hold.*, revision
        from hold
        left join take_in using (shop_id, order_id)
        where shop_id = $1
            and order_id > $2
            and (not $3 or state = 'standing' and expire_time > $4)
        order by order_id
        limit $5",
    )
    .bind(shop)
    .bind(page.after.as_deref().unwrap_or(""))
    .bind(standing_at.is_some())
    .bind(standing_at.map_or(0, micros))
    .bind(i64::from(page.limit))
    .fetch_all(&mut *connection)
    .await?;
    all_with_facts(connection, shop, rows).await
}

/// Returns the holds that nobody has ended, by id, without what their orders were made from: nothing is planned by that.
pub async fn standing(connection: &mut Connection, shop: &str) -> Result<Vec<HoldRecord>, Error> {
    let rows: Vec<HoldRow> = sqlx::query_as(
        "select hold.*, cast(null as bigint) as revision
        from hold
        where shop_id = $1
            and state = 'standing'
        order by order_id",
    )
    .bind(shop)
    .fetch_all(&mut *connection)
    .await?;
    all_with_facts(connection, shop, rows).await
}

#[derive(sqlx::FromRow)]
struct ToldRow {
    order_id: String,
    quote_time: i64,
    futures_likely_time: Option<i64>,
    futures_p80_time: Option<i64>,
    futures_safe_time: Option<i64>,
}

/// Returns what the futures said of the holds that were accepted, the latest `limit` of them, in the order of quotes.
pub async fn told(connection: &mut Connection, shop: &str, limit: u32) -> Result<Vec<ToldRecord>, Error> {
    let rows: Vec<ToldRow> = sqlx::query_as(
        "select order_id, quote_time, futures_likely_time, futures_p80_time, futures_safe_time
        from hold
        where shop_id = $1
            and state = 'accepted'
            and quote_time is not null
        order by quote_time desc, order_id desc
        limit $2",
    )
    .bind(shop)
    .bind(i64::from(limit))
    .fetch_all(connection)
    .await?;
    let record = |row: ToldRow| {
        let futures = [row.futures_likely_time, row.futures_p80_time, row.futures_safe_time];
        Ok(ToldRecord {
            order: row.order_id,
            quote_time: instant(row.quote_time)?,
            futures: [optional_instant(futures[0])?, optional_instant(futures[1])?, optional_instant(futures[2])?],
        })
    };
    rows.into_iter().rev().map(record).collect()
}
