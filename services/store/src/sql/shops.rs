//! Shops.

use fitup_model::ShopFacts;

use super::rows::micros;
use super::shop_rows::{self, Range};
use super::{Connection, audit, orders, shop_children};
use crate::change::Change;
use crate::difference::{Difference, Fields, shop_fields};
use crate::error::Error;
use crate::record::{Page, ShopRecord};
use crate::store::ShopEdit;

/// Returns the name of a shop.
pub fn name(shop: &str) -> String {
    format!("shops/{shop}")
}

/// Returns a shop.
pub async fn get(connection: &mut Connection, shop: &str) -> Result<ShopRecord, Error> {
    let found = shop_rows::load(connection, Range { first: shop, last: shop }).await?.pop();
    found.ok_or_else(|| Error::NotFound { name: name(shop) })
}

/// Returns shops by id.
pub async fn list(connection: &mut Connection, page: &Page) -> Result<Vec<ShopRecord>, Error> {
    let ids: Vec<(String,)> = sqlx::query_as(
        "select shop_id
        from shop
        where shop_id > $1
        order by shop_id
        limit $2",
    )
    .bind(page.after.as_deref().unwrap_or(""))
    .bind(i64::from(page.limit))
    .fetch_all(&mut *connection)
    .await?;
    match (ids.first(), ids.last()) {
        (Some((first,)), Some((last,))) => shop_rows::load(connection, Range { first, last }).await,
        _ => Ok(Vec::new()),
    }
}

/// Enters a shop.
pub async fn create(connection: &mut Connection, change: &Change, facts: &ShopFacts) -> Result<ShopRecord, Error> {
    let done = sqlx::query(
        "insert into shop (shop_id, display_name, time_zone, revision, version, create_time, update_time)
        values ($1, $2, $3, 1, 1, $4, $4)
        on conflict (shop_id) do nothing",
    )
    .bind(&facts.id)
    .bind(&facts.display_name)
    .bind(&facts.time_zone)
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Err(Error::AlreadyExists { name: name(&facts.id) });
    }
    set_settings(connection, facts).await?;
    shop_children::add(connection, facts).await?;
    let difference = Difference::between(Fields::new(), shop_fields(facts));
    let event =
        audit::Event { shop: &facts.id, resource: name(&facts.id), action: "create", revisions: (0, 1), difference };
    audit::append(connection, change, event).await?;
    get(connection, &facts.id).await
}

/// Changes a shop.
pub async fn update(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    etag: Option<&str>,
    edit: ShopEdit,
) -> Result<ShopRecord, Error> {
    let stored = get(connection, shop).await?;
    expect_etag(etag, &stored.etag, || name(shop))?;
    let open = orders::open(connection, shop).await?;
    let open: Vec<_> = open.into_iter().map(|order| order.facts).collect();
    let facts = edit(&stored.facts, &open).map_err(|refusal| Error::refused(name(shop), refusal))?;
    replace(connection, change, &stored, &facts).await?;
    get(connection, shop).await
}

/// Writes the changed facts of a shop, if they differ.
pub async fn replace(
    connection: &mut Connection,
    change: &Change,
    stored: &ShopRecord,
    facts: &ShopFacts,
) -> Result<(), Error> {
    let shop = stored.facts.id.as_str();
    if *facts == stored.facts {
        return Ok(());
    }
    if facts.id != shop {
        return Err(Error::Forbidden { name: name(shop), message: format!("shop {shop:?} cannot be renamed") });
    }
    sqlx::query(
        "update shop
        set display_name = $2, time_zone = $3, revision = revision + 1, version = version + 1, update_time = $4
        where shop_id = $1",
    )
    .bind(shop)
    .bind(&facts.display_name)
    .bind(&facts.time_zone)
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    set_settings(connection, facts).await?;
    shop_children::remove(connection, shop).await?;
    shop_children::add(connection, facts).await?;
    let difference = Difference::between(shop_fields(&stored.facts), shop_fields(facts));
    let revisions = (stored.revision, stored.revision + 1);
    let event = audit::Event { shop, resource: name(shop), action: "update", revisions, difference };
    audit::append(connection, change, event).await
}

/// Removes a shop with all it owns.
pub async fn delete(connection: &mut Connection, change: &Change, shop: &str, etag: Option<&str>) -> Result<(), Error> {
    let stored = get(connection, shop).await?;
    expect_etag(etag, &stored.etag, || name(shop))?;
    sqlx::query("delete from shop where shop_id = $1").bind(shop).execute(&mut *connection).await?;
    let difference = Difference::between(shop_fields(&stored.facts), Fields::new());
    let revisions = (stored.revision, 0);
    let event = audit::Event { shop, resource: name(shop), action: "delete", revisions, difference };
    audit::append(connection, change, event).await
}

/// Returns the revision of a shop.
pub async fn revision(connection: &mut Connection, shop: &str) -> Result<i64, Error> {
    let found: Option<(i64,)> =
        sqlx::query_as("select revision from shop where shop_id = $1").bind(shop).fetch_optional(connection).await?;
    found.map(|(revision,)| revision).ok_or_else(|| Error::NotFound { name: name(shop) })
}

/// Counts a change of an order of the shop, and returns the new revision.
pub async fn count_change(connection: &mut Connection, shop: &str) -> Result<i64, Error> {
    let (revision,) = sqlx::query_as("update shop set revision = revision + 1 where shop_id = $1 returning revision")
        .bind(shop)
        .fetch_one(connection)
        .await?;
    Ok(revision)
}

/// Refuses a change of something that has changed since it was read.
pub fn expect_etag(expected: Option<&str>, etag: &str, name: impl Fn() -> String) -> Result<(), Error> {
    match expected {
        Some(expected) if expected != etag => Err(Error::EtagMismatch { name: name() }),
        _ => Ok(()),
    }
}

async fn set_settings(connection: &mut Connection, facts: &ShopFacts) -> Result<(), Error> {
    let settings = &facts.settings;
    sqlx::query(
        "update shop
        set grid_minutes = $2, horizon_days = $3, late_weight = $4, flow_weight = $5, overtime_weight = $6,
            freeze_minutes = $7, person_change_price = $8, bay_change_price = $9, day_change_price = $10,
            soon_factor = $11, same_person_price = $12, outside_limit = $13, outside_weight = $14,
            work_low_percent = $15, work_high_percent = $16, late_part_percent = $17, late_part_days = $18,
            late_approval_percent = $19, hidden_damage_percent = $20, hidden_work_percent = $21,
            failed_check_percent = $22, rework_percent = $23, absence_percent = $24,
            learned_percent = $25
        where shop_id = $1",
    )
    .bind(&facts.id)
    .bind(settings.grid_minutes.map(i64::from))
    .bind(settings.horizon_days.map(i64::from))
    .bind(settings.late_weight.map(i64::from))
    .bind(settings.flow_weight.map(i64::from))
    .bind(settings.overtime_weight.map(i64::from))
    .bind(settings.freeze_minutes.map(i64::from))
    .bind(settings.person_change_price.map(i64::from))
    .bind(settings.bay_change_price.map(i64::from))
    .bind(settings.day_change_price.map(i64::from))
    .bind(settings.soon_factor.map(i64::from))
    .bind(settings.same_person_price.map(i64::from))
    .bind(settings.outside_limit.map(i64::from))
    .bind(settings.outside_weight.map(i64::from))
    .bind(settings.work_low_percent.map(i64::from))
    .bind(settings.work_high_percent.map(i64::from))
    .bind(settings.late_part_percent.map(i64::from))
    .bind(settings.late_part_days.map(i64::from))
    .bind(settings.late_approval_percent.map(i64::from))
    .bind(settings.hidden_damage_percent.map(i64::from))
    .bind(settings.hidden_work_percent.map(i64::from))
    .bind(settings.failed_check_percent.map(i64::from))
    .bind(settings.rework_percent.map(i64::from))
    .bind(settings.absence_percent.map(i64::from))
    .bind(settings.learned_percent.map(i64::from))
    .execute(connection)
    .await?;
    Ok(())
}
