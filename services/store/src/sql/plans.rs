//! Plans.

use fitup_model::Timetable;
use serde_json::Value;
use sqlx::query_as;

use super::plan_rows::{self, PlanRow, quality_word, state_word};
use super::rows::micros;
use super::{Connection, audit, shops};
use crate::change::Change;
use crate::difference::Difference;
use crate::error::Error;
use crate::record::{NewPlan, Page, PlanRecord, PlanState};

/// Returns the name of a plan.
pub fn name(shop: &str, plan: &str) -> String {
    format!("shops/{shop}/plans/{plan}")
}

/// Returns a plan.
pub async fn get(connection: &mut Connection, shop: &str, plan: &str) -> Result<PlanRecord, Error> {
    let row: Option<PlanRow> = query_as(
        "select plan.*, revision
        from plan
        join shop using (shop_id)
        where shop_id = $1
            and plan_id = $2",
    )
    .bind(shop)
    .bind(plan)
    .fetch_optional(&mut *connection)
    .await?;
    let mut record = row.ok_or_else(|| Error::NotFound { name: name(shop, plan) })?.record()?;
    record.timetable.orders = plan_rows::load_orders(connection, shop, plan).await?;
    record.timetable.left_out = plan_rows::load_left_out(connection, shop, plan).await?;
    Ok(record)
}

/// Returns the published plan, and if there is none the one kept last.
pub async fn latest(connection: &mut Connection, shop: &str) -> Result<Option<PlanRecord>, Error> {
    shops::revision(connection, shop).await?;
    let found: Option<(String,)> = query_as(
        "select plan_id
        from plan
        where shop_id = $1
        order by case state when 'published' then 0 else 1 end, create_time desc, plan_id desc
        limit 1",
    )
    .bind(shop)
    .fetch_optional(&mut *connection)
    .await?;
    match found {
        Some((plan,)) => get(connection, shop, &plan).await.map(Some),
        None => Ok(None),
    }
}

/// Returns the published plan.
pub async fn published(connection: &mut Connection, shop: &str) -> Result<Option<PlanRecord>, Error> {
    match published_id(connection, shop).await? {
        Some(plan) => get(connection, shop, &plan).await.map(Some),
        None => Ok(None),
    }
}

/// Returns plans without their orders, the one kept last first.
pub async fn list(connection: &mut Connection, shop: &str, page: &Page) -> Result<Vec<PlanRecord>, Error> {
    shops::revision(connection, shop).await?;
    let rows: Vec<PlanRow> = query_as(
        "select plan.*, revision
        from plan
        join shop using (shop_id)
        where shop_id = $1
            and ($2 = '' or (plan.create_time, plan_id) < (
                select create_time, plan_id
                from plan
                where shop_id = $1
                    and plan_id = $2
            ))
        order by plan.create_time desc, plan_id desc
        limit $3",
    )
    .bind(shop)
    .bind(page.after.as_deref().unwrap_or(""))
    .bind(i64::from(page.limit))
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(PlanRow::record).collect()
}

/// Keeps a plan as a proposal: its id, the revision that it was made for, itself.
pub async fn save(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    (id, shop_revision, timetable): (&str, i64, &Timetable),
    plan_run: Option<&str>,
) -> Result<PlanRecord, Error> {
    let revision = shops::revision(connection, shop).await?;
    let price = &timetable.price;
    let done = sqlx::query(
        "insert into plan (
            shop_id, plan_id, plan_run_id, state, shop_revision, as_of_time, horizon_time, quality, price_lateness,
            price_flow, price_overtime, price_change, price_same_person, price_outside, price_left_out, bound,
            create_time
        )
        values ($1, $2, $3, 'proposed', $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)
        on conflict (shop_id, plan_id) do nothing",
    )
    .bind(shop)
    .bind(id)
    .bind(plan_run)
    .bind(shop_revision)
    .bind(micros(timetable.as_of_time))
    .bind(micros(timetable.horizon_time))
    .bind(quality_word(timetable.quality))
    .bind(price.lateness)
    .bind(price.flow)
    .bind(price.overtime)
    .bind(price.change)
    .bind(price.same_person)
    .bind(price.outside)
    .bind(price.left_out)
    .bind(timetable.bound)
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Err(Error::AlreadyExists { name: name(shop, id) });
    }
    plan_rows::add_orders(connection, shop, id, timetable).await?;
    let difference = Difference::of("price", Value::Null, price.total());
    let resource = name(shop, id);
    let event = audit::Event { shop, resource, action: "create", revisions: (revision, revision), difference };
    audit::append(connection, change, event).await?;
    get(connection, shop, id).await
}

/// Keeps plans as proposals.
pub async fn save_all(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    plans: &[NewPlan],
) -> Result<Vec<PlanRecord>, Error> {
    let mut records = Vec::new();
    for plan in plans {
        let content = (plan.id.as_str(), plan.shop_revision, &plan.timetable);
        records.push(save(connection, change, shop, content, None).await?);
    }
    Ok(records)
}

/// Keeps a plan and publishes it.
pub async fn restore(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    plan: &NewPlan,
) -> Result<PlanRecord, Error> {
    save(connection, change, shop, (&plan.id, plan.shop_revision, &plan.timetable), None).await?;
    publish(connection, change, shop, &plan.id).await
}

/// Publishes a plan in place of the one published before.
pub async fn publish(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    plan: &str,
) -> Result<PlanRecord, Error> {
    let stored = get(connection, shop, plan).await?;
    if stored.state == PlanState::Published {
        return Ok(stored);
    }
    let revision = shops::revision(connection, shop).await?;
    if stored.shop_revision != revision {
        return Err(Error::PlanStale { name: name(shop, plan), made_for: stored.shop_revision, revision });
    }
    let before = published_id(connection, shop).await?;
    if let Some(before) = &before {
        set_state(connection, shop, before, PlanState::Superseded).await?;
    }
    set_state(connection, shop, plan, PlanState::Published).await?;
    let difference = Difference::of("published_plan", before, plan);
    let resource = name(shop, plan);
    let event = audit::Event { shop, resource, action: "publish", revisions: (revision, revision), difference };
    audit::append(connection, change, event).await?;
    Ok(PlanRecord { state: PlanState::Published, ..stored })
}

async fn published_id(connection: &mut Connection, shop: &str) -> Result<Option<String>, Error> {
    let found: Option<(String,)> = query_as("select plan_id from plan where shop_id = $1 and state = 'published'")
        .bind(shop)
        .fetch_optional(connection)
        .await?;
    Ok(found.map(|(plan,)| plan))
}

async fn set_state(connection: &mut Connection, shop: &str, plan: &str, state: PlanState) -> Result<(), Error> {
    sqlx::query("update plan set state = $3 where shop_id = $1 and plan_id = $2")
        .bind(shop)
        .bind(plan)
        .bind(state_word(state))
        .execute(connection)
        .await?;
    Ok(())
}
