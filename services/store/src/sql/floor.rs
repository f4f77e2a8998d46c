//! What happens on the floor.

use fitup_model::floor::{FloorKind, FloorNote};
use sqlx::{query, query_as};

use super::rows::{Children, insert, instant, micros, number, optional_instant, optional_number, positions, words};
use super::{Connection, audit, orders, plans, shops};
use crate::change::Change;
use crate::difference::Difference;
use crate::error::Error;
use crate::record::{FloorRecord, Page};
use crate::store::FloorEdit;

words!(FloorKind, kind_word, kind, {
    FloorKind::On = "on",
    FloorKind::Off = "off",
    FloorKind::Pause = "pause",
    FloorKind::Finish = "finish",
    FloorKind::Reopen = "reopen",
    FloorKind::Pass = "pass",
    FloorKind::Fail = "fail",
    FloorKind::Swap = "swap",
    FloorKind::Pin = "pin",
    FloorKind::Unpin = "unpin",
    FloorKind::PartOrdered = "part-ordered",
    FloorKind::PartExpected = "part-expected",
    FloorKind::PartReceived = "part-received",
    FloorKind::PartWrong = "part-wrong",
    FloorKind::PartDamaged = "part-damaged",
    FloorKind::PartReturned = "part-returned",
    FloorKind::Out = "out",
    FloorKind::Back = "back",
    FloorKind::Down = "down",
    FloorKind::Up = "up",
    FloorKind::Short = "short",
    FloorKind::Whole = "whole",
    FloorKind::Overtime = "overtime",
});

/// Returns the name of a floor record.
fn name(shop: &str, record: i64) -> String {
    format!("shops/{shop}/floorRecords/{record}")
}

/// Changes what an event changes, and keeps the event.
pub async fn record(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    (order, edit): (Option<&str>, FloorEdit),
) -> Result<FloorRecord, Error> {
    let stored = shops::get(connection, shop).await?;
    let open = orders::open(connection, shop).await?;
    let mut open: Vec<_> = open.into_iter().map(|order| order.facts).collect();
    if let Some(order) = order.filter(|id| open.iter().all(|open| open.id != **id)) {
        open.push(orders::get(connection, shop, order).await?.facts);
    }
    let published = plans::published(connection, shop).await?.map(|plan| plan.timetable);
    let outcome =
        edit(&stored.facts, &open, published.as_ref()).map_err(|refusal| Error::refused(shops::name(shop), refusal))?;
    if let Some(facts) = &outcome.shop {
        shops::replace(connection, change, &stored, facts).await?;
    }
    if let Some(facts) = &outcome.order {
        let stored = open.iter().find(|order| order.id == facts.id);
        let stored = stored.ok_or_else(|| Error::NotFound { name: orders::name(shop, &facts.id) })?;
        orders::replace(connection, change, shop, stored, facts).await?;
    }
    keep(connection, change, shop, &outcome.note).await
}

async fn keep(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    note: &FloorNote,
) -> Result<FloorRecord, Error> {
    let (id,): (i64,) = query_as("select coalesce(max(floor_record_id), 0) + 1 from floor_record where shop_id = $1")
        .bind(shop)
        .fetch_one(&mut *connection)
        .await?;
    query(
        "insert into floor_record (
            shop_id, floor_record_id, kind, event_time, create_time, actor, request_id, order_id, operation_id,
            subject_id, bay_id, start_time, end_time, planned_end_time, booked_minutes, count, measurement, reason
        )
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
    )
    .bind(shop)
    .bind(id)
    .bind(kind_word(note.kind))
    .bind(micros(note.event_time))
    .bind(micros(change.at))
    .bind(&change.actor)
    .bind(change.request.as_ref().map(|request| request.id.to_string()))
    .bind(&note.order)
    .bind(&note.operation)
    .bind(&note.subject)
    .bind(&note.bay)
    .bind(note.start_time.map(micros))
    .bind(note.end_time.map(micros))
    .bind(note.planned_end_time.map(micros))
    .bind(note.booked_minutes.map(i64::from))
    .bind(note.count.map(i64::from))
    .bind(&note.measurement)
    .bind(&note.reason)
    .execute(&mut *connection)
    .await?;
    let technicians: Vec<_> = positions(&note.technicians).collect();
    let table = "floor_record_technician (shop_id, floor_record_id, position, technician_id)";
    insert(connection, table, &technicians, |values, (position, technician)| {
        values.push_bind(shop).push_bind(id).push_bind(*position).push_bind(technician.as_str());
    })
    .await?;
    let added: Vec<_> = positions(&note.added).collect();
    let table = "floor_record_operation (shop_id, floor_record_id, position, operation_id)";
    insert(connection, table, &added, |values, (position, operation)| {
        values.push_bind(shop).push_bind(id).push_bind(*position).push_bind(operation.as_str());
    })
    .await?;
    // The order's or the shop's own entry says what changed; this one says that it was the floor.
    let revision = shops::revision(connection, shop).await?;
    let difference = Difference::of("kind", serde_json::Value::Null, kind_word(note.kind));
    let (resource, action) = (name(shop, id), "create");
    let event = audit::Event { shop, resource, action, revisions: (revision, revision), difference };
    audit::append(connection, change, event).await?;
    let page = Page { after: Some((id + 1).to_string()), limit: 1 };
    list(connection, shop, None, &page).await?.pop().ok_or_else(|| Error::NotFound { name: name(shop, id) })
}

#[derive(sqlx::FromRow)]
struct Row {
    floor_record_id: i64,
    kind: String,
    event_time: i64,
    create_time: i64,
    actor: String,
    order_id: Option<String>,
    operation_id: Option<String>,
    subject_id: Option<String>,
    bay_id: Option<String>,
    start_time: Option<i64>,
    end_time: Option<i64>,
    planned_end_time: Option<i64>,
    booked_minutes: Option<i64>,
    count: Option<i64>,
    measurement: String,
    reason: String,
}

/// Returns records of a shop, or of an order of it, the latest first.
pub async fn list(
    connection: &mut Connection,
    shop: &str,
    order: Option<&str>,
    page: &Page,
) -> Result<Vec<FloorRecord>, Error> {
    shops::revision(connection, shop).await?;
    let after = page.after.as_deref().map_or(Ok(i64::MAX), str::parse).unwrap_or(0);
    let rows: Vec<Row> = query_as(
        "select floor_record_id, kind, event_time, create_time, actor, order_id, operation_id, subject_id, bay_id,
            start_time, end_time, planned_end_time, booked_minutes, count, measurement, reason
        from floor_record
        where shop_id = $1
            and floor_record_id < $2
            and ($3 = '' or order_id = $3)
        order by floor_record_id desc
        limit $4",
    )
    .bind(shop)
    .bind(after)
    .bind(order.unwrap_or(""))
    .bind(i64::from(page.limit))
    .fetch_all(&mut *connection)
    .await?;
    let (Some(newest), Some(oldest)) = (rows.first(), rows.last()) else { return Ok(Vec::new()) };
    let range = (oldest.floor_record_id, newest.floor_record_id);
    let mut technicians = children(
        connection,
        "select floor_record_id, technician_id
        from floor_record_technician
        where shop_id = $1
            and floor_record_id between $2 and $3
        order by floor_record_id, position",
        (shop, range),
    )
    .await?;
    let mut added = children(
        connection,
        "select floor_record_id, operation_id
        from floor_record_operation
        where shop_id = $1
            and floor_record_id between $2 and $3
        order by floor_record_id, position",
        (shop, range),
    )
    .await?;
    rows.into_iter()
        .map(|row| {
            let id = row.floor_record_id;
            Ok(FloorRecord {
                id,
                shop: shop.to_owned(),
                create_time: instant(row.create_time)?,
                actor: row.actor,
                note: FloorNote {
                    kind: kind(&row.kind)?,
                    event_time: instant(row.event_time)?,
                    order: row.order_id,
                    operation: row.operation_id,
                    subject: row.subject_id,
                    technicians: technicians.take(&id),
                    bay: row.bay_id,
                    start_time: optional_instant(row.start_time)?,
                    end_time: optional_instant(row.end_time)?,
                    planned_end_time: optional_instant(row.planned_end_time)?,
                    booked_minutes: optional_number(row.booked_minutes)?,
                    count: optional_number(row.count)?,
                    measurement: row.measurement,
                    reason: row.reason,
                    added: added.take(&id),
                },
            })
        })
        .collect()
}

async fn children(
    connection: &mut Connection,
    statement: &'static str,
    (shop, (first, last)): (&str, (i64, i64)),
) -> Result<Children<i64, String>, Error> {
    let rows: Vec<(i64, String)> = query_as(statement).bind(shop).bind(first).bind(last).fetch_all(connection).await?;
    Ok(rows.into_iter().map(|(id, text)| (number::<i64>(id).unwrap_or(id), text)).collect())
}
