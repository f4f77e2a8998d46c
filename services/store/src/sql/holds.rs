//! Holds: quotes that keep the places of their orders. The facts of the order stand in its tables, marked as held.

mod read;

use fitup_model::TakeInFacts;

use super::rows::{micros, words};
use super::{Connection, audit, orders, plans, shops, take_ins};
use crate::change::Change;
use crate::difference::{Difference, Fields, hold_fields, order_fields, take_in_fields};
use crate::error::Error;
use crate::record::{ChangedHold, HoldEnd, HoldRecord, HoldState, NewHold, NewPlan, QuotedDate, RuleBookRecord};
use crate::store::HoldEdit;
pub use read::{get, list, standing, told};

words!(HoldState, state_word, state, {
    HoldState::Standing = "standing",
    HoldState::Expired = "expired",
    HoldState::Accepted = "accepted",
    HoldState::Released = "released",
});

words!(QuotedDate, date_word, date, {
    QuotedDate::Likely = "likely",
    QuotedDate::P80 = "p80",
    QuotedDate::Safe = "safe",
});

/// Returns the name of a hold.
pub fn name(shop: &str, hold: &str) -> String {
    format!("shops/{shop}/holds/{hold}")
}

/// Makes a hold and publishes the plan with its place.
pub async fn create(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    revision: i64,
    hold: Result<NewHold, Error>,
) -> Result<HoldRecord, Error> {
    let before = shops::revision(connection, shop).await?;
    let hold = hold?;
    if before != revision {
        return Err(Error::EtagMismatch { name: shops::name(shop) });
    }
    note_expired(connection, change, shop).await?;
    orders::insert(connection, change, shop, &hold.facts, true).await?;
    keep_lines(connection, change, shop, &hold.facts.id, hold.take_in.as_ref()).await?;
    let after = shops::count_change(connection, shop).await?;
    let plan = NewPlan { id: hold.plan, shop_revision: after, timetable: hold.timetable };
    plans::restore(connection, change, shop, &plan).await?;
    sqlx::query(
        "insert into hold (
            shop_id, order_id, state, promised, earliest_time, likely_time, p80_time, safe_time, plan_id, expire_time,
            quote_time, futures_likely_time, futures_p80_time, futures_safe_time, version, create_time, update_time
        )
        values ($1, $2, 'standing', $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, 1, $14, $14)",
    )
    .bind(shop)
    .bind(&hold.facts.id)
    .bind(date_word(hold.promised))
    .bind(micros(hold.dates.earliest))
    .bind(hold.dates.likely.map(micros))
    .bind(hold.dates.p80.map(micros))
    .bind(hold.dates.safe.map(micros))
    .bind(&plan.id)
    .bind(micros(hold.expire_time))
    .bind(micros(hold.quote_time))
    .bind(hold.futures[0].map(micros))
    .bind(hold.futures[1].map(micros))
    .bind(hold.futures[2].map(micros))
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    let made = get(connection, shop, &hold.facts.id).await?;
    let fields = fields(&made);
    let event = audit::Event {
        shop,
        resource: name(shop, &made.facts.id),
        action: "create",
        revisions: (before, after),
        difference: Difference::between(Fields::new(), fields),
    };
    audit::append(connection, change, event).await?;
    Ok(made)
}

/// Changes a hold that stands and publishes the plan with its new place, in which its old one is free.
pub async fn change(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    (revision, etag): (i64, Option<&str>),
    hold: Result<ChangedHold, Error>,
) -> Result<HoldRecord, Error> {
    let before = shops::revision(connection, shop).await?;
    let ChangedHold { hold, kept } = hold?;
    let id = hold.facts.id.as_str();
    let stored = get(connection, shop, id).await?;
    shops::expect_etag(etag, &stored.etag, || name(shop, id))?;
    // By now somebody else may have ended it, or its time.
    if stored.state_at(change.at) != HoldState::Standing {
        return Err(Error::EtagMismatch { name: name(shop, id) });
    }
    if before != revision {
        return Err(Error::EtagMismatch { name: shops::name(shop) });
    }
    note_expired(connection, change, shop).await?;
    orders::write(connection, change, shop, &hold.facts).await?;
    match hold.take_in.as_ref().map(|(lines, book)| (lines, book.revision)) {
        // By a rule book that may be an older one by now.
        Some((lines, book)) if stored.take_in.as_ref().is_some_and(|own| (&own.0, own.1) == (lines, book)) => {}
        _ => {
            take_ins::forget(connection, shop, id).await?;
            keep_lines(connection, change, shop, id, hold.take_in.as_ref()).await?;
        }
    }
    let after = shops::count_change(connection, shop).await?;
    let plan = NewPlan { id: hold.plan, shop_revision: after, timetable: hold.timetable };
    plans::restore(connection, change, shop, &plan).await?;
    sqlx::query(
        "update hold
        set promised = $3, plan_id = $4, expire_time = $5, version = version + 1, update_time = $6
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(id)
    .bind(date_word(hold.promised))
    .bind(&plan.id)
    .bind(micros(hold.expire_time))
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    if !kept {
        sqlx::query(
            "update hold
            set earliest_time = $3, likely_time = $4, p80_time = $5, safe_time = $6, quote_time = $7,
                futures_likely_time = $8, futures_p80_time = $9, futures_safe_time = $10
            where shop_id = $1
                and order_id = $2",
        )
        .bind(shop)
        .bind(id)
        .bind(micros(hold.dates.earliest))
        .bind(hold.dates.likely.map(micros))
        .bind(hold.dates.p80.map(micros))
        .bind(hold.dates.safe.map(micros))
        .bind(micros(hold.quote_time))
        .bind(hold.futures[0].map(micros))
        .bind(hold.futures[1].map(micros))
        .bind(hold.futures[2].map(micros))
        .execute(&mut *connection)
        .await?;
    }
    let changed = get(connection, shop, id).await?;
    let event = audit::Event {
        shop,
        resource: name(shop, id),
        action: "update",
        revisions: (before, after),
        difference: Difference::between(fields(&stored), fields(&changed)),
    };
    audit::append(connection, change, event).await?;
    Ok(changed)
}

/// Keeps what a held order is made from, by the rule book that is the shop's: the caller made it by that.
async fn keep_lines(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    order: &str,
    take_in: Option<&(TakeInFacts, RuleBookRecord)>,
) -> Result<(), Error> {
    let Some((facts, made_by)) = take_in else { return Ok(()) };
    let book = take_ins::first_or_latest(connection, change, shop, &made_by.text).await?;
    if book.text != made_by.text {
        return Err(Error::EtagMismatch { name: take_ins::book_name(shop) });
    }
    take_ins::add(connection, (shop, order), facts, book.revision).await
}

/// Returns the fields of a hold with those of its order and what that is made from.
fn fields(hold: &HoldRecord) -> Fields {
    let mut fields = order_fields(&hold.facts);
    fields.extend(hold_fields(hold));
    if let Some((facts, revision)) = &hold.take_in {
        fields.extend(take_in_fields(facts, *revision));
    }
    fields
}

/// Notes which holds are over by their time, so that they need not be read any more. It changes nothing for anybody.
async fn note_expired(connection: &mut Connection, change: &Change, shop: &str) -> Result<(), Error> {
    sqlx::query("update hold set state = 'expired' where shop_id = $1 and state = 'standing' and expire_time <= $2")
        .bind(shop)
        .bind(micros(change.at))
        .execute(connection)
        .await?;
    Ok(())
}

/// Ends a hold.
pub async fn end(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    hold: &str,
    etag: Option<&str>,
    edit: HoldEdit,
) -> Result<HoldRecord, Error> {
    let of_shop = shops::get(connection, shop).await?;
    let stored = get(connection, shop, hold).await?;
    shops::expect_etag(etag, &stored.etag, || name(shop, hold))?;
    let end = edit(&stored, &of_shop.facts).map_err(|refusal| Error::refused(name(shop, hold), refusal))?;
    let Some(end) = end else { return Ok(stored) };
    let before = of_shop.revision;
    let (state, after) = match end {
        HoldEnd::Accepted if are_all_plans_good(connection, shop, &stored, before).await? => {
            (HoldState::Accepted, before)
        }
        HoldEnd::Accepted => (HoldState::Accepted, shops::count_change(connection, shop).await?),
        HoldEnd::Released => (HoldState::Released, shops::count_change(connection, shop).await?),
    };
    sqlx::query(
        "update hold
        set state = $3, end_time = $4, version = version + 1, update_time = $4
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(hold)
    .bind(state_word(state))
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    if end == HoldEnd::Accepted {
        enter(connection, change, shop, &stored, (before, after)).await?;
    }
    let ended = get(connection, shop, hold).await?;
    let event = audit::Event {
        shop,
        resource: name(shop, hold),
        action: "update",
        revisions: (before, after),
        difference: Difference::between(hold_fields(&stored), hold_fields(&ended)),
    };
    audit::append(connection, change, event).await?;
    Ok(ended)
}

/// Makes an order of what was held.
async fn enter(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    hold: &HoldRecord,
    revisions: (i64, i64),
) -> Result<(), Error> {
    let facts = &hold.facts;
    sqlx::query(
        "update repair_order
        set held = $3, version = version + 1, create_time = $4, update_time = $4
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(&facts.id)
    .bind(false)
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    let event = audit::Event {
        shop,
        resource: orders::name(shop, &facts.id),
        action: "create",
        revisions,
        difference: Difference::between(Fields::new(), order_fields(facts)),
    };
    audit::append(connection, change, event).await?;
    match &hold.take_in {
        Some((lines, book)) => take_ins::note(connection, change, (shop, &facts.id), None, (lines, *book)).await,
        None => Ok(()),
    }
}

/// Tells whether every plan for this revision, made or in the making, knows the hold as it will know the order. What is to
/// be planned does not change then, and no plan gets old. A plan for a time after the expiry does not know it.
async fn are_all_plans_good(
    connection: &mut Connection,
    shop: &str,
    hold: &HoldRecord,
    revision: i64,
) -> Result<bool, Error> {
    let (strangers,): (i64,) = sqlx::query_as(
        "select (
            select count(*)
            from plan
            where shop_id = $1
                and shop_revision = $3
                and state <> 'superseded'
                and not exists (
                    select 1
                    from plan_order
                    where plan_order.shop_id = plan.shop_id
                        and plan_order.plan_id = plan.plan_id
                        and plan_order.order_id = $2
                )
                and not exists (
                    select 1
                    from plan_left_out
                    where plan_left_out.shop_id = plan.shop_id
                        and plan_left_out.plan_id = plan.plan_id
                        and plan_left_out.order_id = $2
                )
        ) + (
            select count(*)
            from plan_run
            where shop_id = $1
                and state in ('queued', 'running')
                and as_of_time >= $4
        )",
    )
    .bind(shop)
    .bind(&hold.facts.id)
    .bind(revision)
    .bind(micros(hold.expire_time))
    .fetch_one(connection)
    .await?;
    Ok(strangers == 0)
}
