//! Writes the children of an order.

use fitup_model::OrderFacts;
use fitup_model::order::{OrderOperation, Progress};
use jiff::Timestamp;

use super::Connection;
use super::order_rows::{hazard_word, supply_word};
use super::rows::{insert, micros, positions};
use crate::error::Error;

/// Removes the children of an order.
pub async fn remove(connection: &mut Connection, shop: &str, order: &str) -> Result<(), Error> {
    for statement in [
        "delete from link where shop_id = $1 and order_id = $2",
        "delete from operation_rework where shop_id = $1 and order_id = $2",
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
    let table = "need (shop_id, order_id, kind, position, need_id, display_name, expected_time, met, supply, \
        confidence_percent)";
    insert(connection, table, &needs, |values, (kind, (position, need))| {
        values.push_bind(shop).push_bind(order).push_bind(*kind).push_bind(*position).push_bind(need.id.as_str());
        values.push_bind(need.display_name.as_str()).push_bind(need.expected_time.map(micros)).push_bind(need.met);
        values.push_bind(need.supply.map(|supply| supply_word(supply.state)));
        values.push_bind(need.supply.and_then(|supply| supply.confidence_percent).map(i64::from));
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
        state, start_time, end_time, remaining_minutes, remaining_time, pause_time, pause_reason, hold_measure, \
        low_work_minutes, high_work_minutes)";
    insert(connection, table, &operations, |values, (position, operation)| {
        let wish = operation.same_person.as_ref();
        values.push_bind(shop).push_bind(order).push_bind(*position).push_bind(operation.id.as_str());
        values.push_bind(operation.display_name.as_str()).push_bind(i64::from(operation.work_minutes));
        values.push_bind(operation.visit.as_deref()).push_bind(operation.interruptible);
        values.push_bind(operation.earliest_start_time.map(micros));
        values.push_bind(wish.map(|wish| wish.operation.as_str())).push_bind(wish.map(|wish| wish.required));
        let pin = operation.pin.as_ref();
        values.push_bind(pin.is_some()).push_bind(pin.and_then(|pin| pin.start_time).map(micros));
        let progress = ProgressColumns::of(&operation.progress);
        values.push_bind(progress.state).push_bind(progress.start_time.map(micros));
        values.push_bind(progress.end_time.map(micros)).push_bind(progress.remaining_minutes);
        values.push_bind(progress.remaining_time.map(micros)).push_bind(progress.pause.map(|(time, _)| micros(time)));
        values.push_bind(progress.pause.map(|(_, reason)| reason));
        values.push_bind(operation.hold_point.as_ref().map(|hold_point| hold_point.measure.as_str()));
        values.push_bind(operation.low_work_minutes.map(i64::from));
        values.push_bind(operation.high_work_minutes.map(i64::from));
    })
    .await?;

    let (mut crews, mut technicians, mut equipment) = (Vec::new(), Vec::new(), Vec::new());
    let (mut needs, mut hazards, mut rework) = (Vec::new(), Vec::new(), Vec::new());
    for operation in &facts.operations {
        let id = operation.id.as_str();
        crews.extend(positions(&operation.crew).map(|row| (id, row)));
        technicians.extend(positions(pinned(operation)).map(|row| (id, "pinned", row)));
        technicians.extend(positions(working(operation)).map(|row| (id, "working", row)));
        equipment.extend(positions(&operation.equipment).map(|row| (id, row)));
        needs.extend(positions(&operation.needs).map(|row| (id, row)));
        hazards.extend(positions(&operation.hazards).map(|row| (id, row)));
        rework.extend(operation.hold_point.iter().flat_map(|hold| positions(&hold.rework)).map(|row| (id, row)));
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
    let table = "operation_rework (shop_id, order_id, operation_id, position, rework_operation_id)";
    insert(connection, table, &rework, |values, (operation, (position, other))| {
        values.push_bind(shop).push_bind(order).push_bind(*operation).push_bind(*position).push_bind(other.as_str());
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
        Progress::Running { technicians, .. }
        | Progress::Paused { technicians, .. }
        | Progress::Done { technicians, .. } => technicians,
    }
}

/// The columns that tell how far an operation is.
struct ProgressColumns<'a> {
    state: &'static str,
    start_time: Option<Timestamp>,
    end_time: Option<Timestamp>,
    remaining_minutes: Option<i64>,
    remaining_time: Option<Timestamp>,
    pause: Option<(Timestamp, &'a str)>,
}

impl<'a> ProgressColumns<'a> {
    fn of(progress: &'a Progress) -> ProgressColumns<'a> {
        let none = ProgressColumns {
            state: "waiting",
            start_time: None,
            end_time: None,
            remaining_minutes: None,
            remaining_time: None,
            pause: None,
        };
        match progress {
            Progress::Waiting => none,
            Progress::Running { start_time, remaining_minutes, remaining_time, .. } => ProgressColumns {
                state: "running",
                start_time: Some(*start_time),
                remaining_minutes: Some(i64::from(*remaining_minutes)),
                remaining_time: *remaining_time,
                ..none
            },
            // Begun and not done, like what runs; the time of the pause tells them apart.
            Progress::Paused { start_time, pause_time, remaining_minutes, reason, .. } => ProgressColumns {
                state: "running",
                start_time: Some(*start_time),
                remaining_minutes: Some(i64::from(*remaining_minutes)),
                pause: Some((*pause_time, reason)),
                ..none
            },
            Progress::Done { start_time, end_time, .. } => {
                ProgressColumns { state: "done", start_time: Some(*start_time), end_time: Some(*end_time), ..none }
            }
        }
    }
}
