//! Writes the children of an order.

use fitup_model::OrderFacts;
use fitup_model::order::{OrderOperation, Progress};
use jiff::Timestamp;

use super::Connection;
use super::order_rows::hazard_word;
use super::rows::{insert, micros, positions};
use crate::error::Error;

/// Removes the children of an order.
pub async fn remove(connection: &mut Connection, shop: &str, order: &str) -> Result<(), Error> {
    for statement in [
        "delete from link where shop_id = $1 and order_id = $2",
        "delete from operation where shop_id = $1 and order_id = $2",
        "delete from need where shop_id = $1 and order_id = $2",
        "delete from visit where shop_id = $1 and order_id = $2",
    ] {
        sqlx::query(statement).bind(shop).bind(order).execute(&mut *connection).await?;
    }
    Ok(())
}

/// Inserts the children of an order.
pub async fn add(connection: &mut Connection, shop: &str, facts: &OrderFacts) -> Result<(), Error> {
    let order = facts.id.as_str();
    let visits: Vec<_> = positions(&facts.visits).collect();
    let table = "visit (shop_id, order_id, position, visit_id, bay_class, loose_parts, family, bay_id)";
    insert(connection, table, &visits, |values, (position, visit)| {
        values.push_bind(shop).push_bind(order).push_bind(*position).push_bind(visit.id.as_str());
        values.push_bind(visit.bay_class.as_str()).push_bind(visit.loose_parts);
        values.push_bind(visit.family.as_deref()).push_bind(visit.bay.as_deref());
    })
    .await?;

    let parts = positions(&facts.parts).map(|row| ("part", row));
    let needs: Vec<_> = parts.chain(positions(&facts.approvals).map(|row| ("approval", row))).collect();
    let table = "need (shop_id, order_id, kind, position, need_id, display_name, expected_time, met)";
    insert(connection, table, &needs, |values, (kind, (position, need))| {
        values.push_bind(shop).push_bind(order).push_bind(*kind).push_bind(*position).push_bind(need.id.as_str());
        values.push_bind(need.display_name.as_str()).push_bind(need.expected_time.map(micros)).push_bind(need.met);
    })
    .await?;

    add_operations(connection, shop, facts).await?;

    let links: Vec<_> = positions(&facts.links).collect();
    let table = "link (shop_id, order_id, position, from_operation_id, to_operation_id, min_wait_minutes, \
        max_wait_minutes)";
    insert(connection, table, &links, |values, (position, link)| {
        values.push_bind(shop).push_bind(order).push_bind(*position);
        values.push_bind(link.from.as_str()).push_bind(link.to.as_str());
        values.push_bind(i64::from(link.min_wait_minutes)).push_bind(link.max_wait_minutes.map(i64::from));
    })
    .await
}

async fn add_operations(connection: &mut Connection, shop: &str, facts: &OrderFacts) -> Result<(), Error> {
    let order = facts.id.as_str();
    let operations: Vec<_> = positions(&facts.operations).collect();
    let table = "operation (shop_id, order_id, position, operation_id, display_name, work_minutes, visit_id, \
        interruptible, earliest_start_time, same_person_operation_id, same_person_required, pinned, pin_start_time, \
        state, start_time, end_time, remaining_minutes)";
    insert(connection, table, &operations, |values, (position, operation)| {
        let wish = operation.same_person.as_ref();
        values.push_bind(shop).push_bind(order).push_bind(*position).push_bind(operation.id.as_str());
        values.push_bind(operation.display_name.as_str()).push_bind(i64::from(operation.work_minutes));
        values.push_bind(operation.visit.as_deref()).push_bind(operation.interruptible);
        values.push_bind(operation.earliest_start_time.map(micros));
        values.push_bind(wish.map(|wish| wish.operation.as_str())).push_bind(wish.map(|wish| wish.required));
        let pin = operation.pin.as_ref();
        values.push_bind(pin.is_some()).push_bind(pin.and_then(|pin| pin.start_time).map(micros));
        let (state, start_time, end_time, remaining_minutes) = progress(&operation.progress);
        values.push_bind(state).push_bind(start_time.map(micros)).push_bind(end_time.map(micros));
        values.push_bind(remaining_minutes);
    })
    .await?;

    let (mut crews, mut technicians, mut equipment) = (Vec::new(), Vec::new(), Vec::new());
    let (mut needs, mut hazards) = (Vec::new(), Vec::new());
    for operation in &facts.operations {
        let id = operation.id.as_str();
        crews.extend(positions(&operation.crew).map(|row| (id, row)));
        technicians.extend(positions(pinned(operation)).map(|row| (id, "pinned", row)));
        technicians.extend(positions(working(operation)).map(|row| (id, "working", row)));
        equipment.extend(positions(&operation.equipment).map(|row| (id, row)));
        needs.extend(positions(&operation.needs).map(|row| (id, row)));
        hazards.extend(positions(&operation.hazards).map(|row| (id, row)));
    }
    let table = "operation_crew (shop_id, order_id, operation_id, position, skill_id)";
    insert(connection, table, &crews, |values, (operation, (position, skill))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*position).push_bind(skill.as_str());
    })
    .await?;
    let table = "operation_technician (shop_id, order_id, operation_id, role, position, technician_id)";
    insert(connection, table, &technicians, |values, (operation, role, (position, technician))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*role).push_bind(*position);
        values.push_bind(technician.as_str());
    })
    .await?;
    let table = "operation_equipment (shop_id, order_id, operation_id, position, equipment_id, count)";
    insert(connection, table, &equipment, |values, (operation, (position, need))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*position);
        values.push_bind(need.equipment.as_str()).push_bind(i64::from(need.count));
    })
    .await?;
    let table = "operation_need (shop_id, order_id, operation_id, position, need_id)";
    insert(connection, table, &needs, |values, (operation, (position, need))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*position).push_bind(need.as_str());
    })
    .await?;
    let table = "operation_hazard (shop_id, order_id, operation_id, position, hazard)";
    insert(connection, table, &hazards, |values, (operation, (position, hazard))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*position);
        values.push_bind(hazard_word(**hazard));
    })
    .await
}

fn pinned(operation: &OrderOperation) -> &[String] {
    operation.pin.as_ref().map_or(&[], |pin| &pin.technicians)
}

fn working(operation: &OrderOperation) -> &[String] {
    match &operation.progress {
        Progress::Waiting => &[],
        Progress::Running { technicians, .. } | Progress::Done { technicians, .. } => technicians,
    }
}

fn progress(progress: &Progress) -> (&'static str, Option<Timestamp>, Option<Timestamp>, Option<i64>) {
    match progress {
        Progress::Waiting => ("waiting", None, None, None),
        Progress::Running { start_time, remaining_minutes, .. } => {
            ("running", Some(*start_time), None, Some(i64::from(*remaining_minutes)))
        }
        Progress::Done { start_time, end_time, .. } => ("done", Some(*start_time), Some(*end_time), None),
    }
}
