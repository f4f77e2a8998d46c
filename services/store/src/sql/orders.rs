//! Repair orders.

use fitup_model::{OrderFacts, OrderState};

use super::order_rows::{self, Selection, state_word};
use super::rows::micros;
use super::{Connection, audit, holds, order_children, shops, take_ins};
use crate::change::Change;
use crate::difference::{Difference, Fields, order_fields};
use crate::error::Error;
use crate::record::{HoldState, OrderFilter, OrderRecord, Page};
use crate::store::{OrderDraft, OrderEdit};

/// Returns the name of an order.
pub fn name(shop: &str, order: &str) -> String {
    format!("shops/{shop}/orders/{order}")
}

/// Returns an order.
pub async fn get(connection: &mut Connection, shop: &str, order: &str) -> Result<OrderRecord, Error> {
    let found = order_rows::load(connection, Selection::one(shop, order)).await?.pop();
    found.ok_or_else(|| Error::NotFound { name: name(shop, order) })
}

/// Returns orders of a shop by id.
pub async fn list(
    connection: &mut Connection,
    shop: &str,
    filter: &OrderFilter,
    page: &Page,
) -> Result<Vec<OrderRecord>, Error> {
    shops::revision(connection, shop).await?;
    let states = order_rows::states(&filter.states);
    let ids: Vec<(String,)> = sqlx::query_as(
        "select order_id
        from repair_order
        where shop_id = $1
            and order_id > $2
            and state in ($3, $4, $5)
            and not held
        order by order_id
        limit $6",
    )
    .bind(shop)
    .bind(page.after.as_deref().unwrap_or(""))
    .bind(states[0])
    .bind(states[1])
    .bind(states[2])
    .bind(i64::from(page.limit))
    .fetch_all(&mut *connection)
    .await?;
    match (ids.first(), ids.last()) {
        (Some((first,)), Some((last,))) => {
            order_rows::load(connection, Selection { shop, first, last, states, held: false }).await
        }
        _ => Ok(Vec::new()),
    }
}

/// Returns all open orders of a shop by id.
pub async fn open(connection: &mut Connection, shop: &str) -> Result<Vec<OrderRecord>, Error> {
    let states = order_rows::states(&[OrderState::Open]);
    // Ids are small letters, digits and hyphens: all between the empty text and a tilde.
    order_rows::load(connection, Selection { shop, first: "", last: "~", states, held: false }).await
}

/// Enters an order.
pub async fn create(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    draft: OrderDraft,
) -> Result<OrderRecord, Error> {
    let stored = shops::get(connection, shop).await?;
    let facts = draft(&stored.facts).map_err(|refusal| Error::refused(shops::name(shop), refusal))?;
    insert(connection, change, shop, &facts, false).await?;
    let difference = Difference::between(Fields::new(), order_fields(&facts));
    count(connection, change, shop, &facts, "create", difference).await?;
    get(connection, shop, &facts.id).await
}

/// Inserts the rows of an order, or of one that is held, in place of a hold of its id that is over.
pub async fn insert(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    facts: &OrderFacts,
    held: bool,
) -> Result<(), Error> {
    let done = sqlx::query(
        "insert into repair_order (
            shop_id, order_id, vehicle, note, state, arrival_time, arrived, promise_time, late_weight, flow_weight,
            version, create_time, update_time, held
        )
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, 1, $11, $11, $12)
        on conflict (shop_id, order_id) do update
        set vehicle = excluded.vehicle, note = excluded.note, state = excluded.state,
            arrival_time = excluded.arrival_time, arrived = excluded.arrived, promise_time = excluded.promise_time,
            late_weight = excluded.late_weight, flow_weight = excluded.flow_weight,
            version = repair_order.version + 1, create_time = excluded.create_time,
            update_time = excluded.update_time, held = excluded.held
        where repair_order.held
            and not exists (
                select 1
                from hold
                where hold.shop_id = repair_order.shop_id
                    and hold.order_id = repair_order.order_id
                    and hold.state = 'standing'
                    and hold.expire_time > excluded.update_time
            )",
    )
    .bind(shop)
    .bind(&facts.id)
    .bind(&facts.vehicle)
    .bind(&facts.note)
    .bind(state_word(facts.state()))
    .bind(micros(facts.arrival_time))
    .bind(facts.arrived)
    .bind(facts.promise_time.map(micros))
    .bind(facts.late_weight.map(i64::from))
    .bind(facts.flow_weight.map(i64::from))
    .bind(micros(change.at))
    .bind(held)
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        let is_held = holds::get(connection, shop, &facts.id).await.is_ok_and(|hold| hold.state == HoldState::Standing);
        let name = if is_held { holds::name(shop, &facts.id) } else { name(shop, &facts.id) };
        return Err(Error::AlreadyExists { name });
    }
    sqlx::query("delete from hold where shop_id = $1 and order_id = $2")
        .bind(shop)
        .bind(&facts.id)
        .execute(&mut *connection)
        .await?;
    take_ins::forget(connection, shop, &facts.id).await?;
    order_children::remove(connection, shop, &facts.id).await?;
    order_children::add(connection, shop, facts).await
}

/// Changes an order.
pub async fn update(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    order: &str,
    etag: Option<&str>,
    edit: OrderEdit,
) -> Result<OrderRecord, Error> {
    let stored_shop = shops::get(connection, shop).await?;
    let stored = get(connection, shop, order).await?;
    shops::expect_etag(etag, &stored.etag, || name(shop, order))?;
    let edited = edit(&stored.facts, &stored_shop.facts);
    let facts = edited.map_err(|refusal| Error::refused(name(shop, order), refusal))?;
    replace(connection, change, shop, &stored.facts, &facts).await?;
    get(connection, shop, order).await
}

/// Writes the changed facts of an order, if they differ.
pub async fn replace(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    stored: &OrderFacts,
    facts: &OrderFacts,
) -> Result<(), Error> {
    let order = stored.id.as_str();
    if facts == stored {
        return Ok(());
    }
    if facts.id != order {
        let message = format!("order {order:?} cannot be renamed");
        return Err(Error::Forbidden { name: name(shop, order), message });
    }
    write(connection, change, shop, facts).await?;
    let difference = Difference::between(order_fields(stored), order_fields(facts));
    count(connection, change, shop, facts, "update", difference).await
}

/// Writes the facts of an order, or of one that is held, over those that there are.
pub async fn write(connection: &mut Connection, change: &Change, shop: &str, facts: &OrderFacts) -> Result<(), Error> {
    let order = facts.id.as_str();
    sqlx::query(
        "update repair_order
        set vehicle = $3, note = $4, state = $5, arrival_time = $6, arrived = $7, promise_time = $8, late_weight = $9,
            flow_weight = $10, version = version + 1, update_time = $11
        where shop_id = $1
            and order_id = $2",
    )
    .bind(shop)
    .bind(order)
    .bind(&facts.vehicle)
    .bind(&facts.note)
    .bind(state_word(facts.state()))
    .bind(micros(facts.arrival_time))
    .bind(facts.arrived)
    .bind(facts.promise_time.map(micros))
    .bind(facts.late_weight.map(i64::from))
    .bind(facts.flow_weight.map(i64::from))
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    order_children::remove(connection, shop, order).await?;
    order_children::add(connection, shop, facts).await
}

/// Counts the change of an order in its shop and appends it to the audit trail.
async fn count(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    facts: &OrderFacts,
    action: &'static str,
    difference: Difference,
) -> Result<(), Error> {
    let revision = shops::count_change(connection, shop).await?;
    let resource = name(shop, &facts.id);
    let event = audit::Event { shop, resource, action, revisions: (revision - 1, revision), difference };
    audit::append(connection, change, event).await
}
