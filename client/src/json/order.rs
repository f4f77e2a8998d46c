//! Repair orders as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::{instant, set, word};
use crate::file::order::hazard_name;
use crate::names::last;
use crate::wire::minutes;

/// A line of `order list`.
#[derive(Debug, Serialize)]
pub struct OrderLine {
    id: String,
    vehicle: String,
    state: String,
    progress: String,
    arrival: Option<String>,
    arrived: bool,
    promise: Option<String>,
    planned_completion: Option<String>,
}

impl OrderLine {
    /// Returns a line about an order; `progress` is in words.
    pub fn new(order: &v1::Order, progress: String, completion: Option<prost_types::Timestamp>) -> Self {
        Self {
            id: last(&order.name).to_owned(),
            vehicle: order.vehicle.clone(),
            state: word(order.state().as_str_name(), "STATE_"),
            progress,
            arrival: instant(order.arrival_time.as_ref()),
            arrived: order.arrived,
            promise: instant(order.promise_time.as_ref()),
            planned_completion: instant(completion.as_ref()),
        }
    }
}

/// Answer of `order show`.
#[derive(Debug, Serialize)]
pub struct Order {
    id: String,
    vehicle: String,
    note: String,
    state: String,
    arrival: Option<String>,
    arrived: bool,
    promise: Option<String>,
    late_weight: Option<i32>,
    flow_weight: Option<i32>,
    visits: Vec<Visit>,
    operations: Vec<Operation>,
    links: Vec<Link>,
    parts: Vec<Part>,
    approvals: Vec<Part>,
    etag: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Visit {
    id: String,
    class: String,
    loose_parts: bool,
    family: Option<String>,
    bay: Option<String>,
}

#[derive(Debug, Serialize)]
pub(super) struct Operation {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) work_minutes: Option<i64>,
    low_work_minutes: Option<i64>,
    high_work_minutes: Option<i64>,
    pub(super) crew: Vec<String>,
    pub(super) visit: Option<String>,
    equipment: Vec<Need>,
    stops_at_closing: bool,
    needs: Vec<String>,
    not_before: Option<String>,
    same_person: Option<String>,
    same_person_required: bool,
    pinned_technicians: Vec<String>,
    pinned_start: Option<String>,
    pub(super) hazards: Vec<String>,
    state: String,
    start: Option<String>,
    end: Option<String>,
    technicians: Vec<String>,
    minutes_left: Option<i64>,
}

#[derive(Debug, Serialize)]
struct Need {
    equipment: String,
    count: i32,
}

#[derive(Debug, Serialize)]
pub(super) struct Link {
    from: String,
    to: String,
    min_wait_minutes: i64,
    max_wait_minutes: Option<i64>,
}

#[derive(Debug, Serialize)]
struct Part {
    id: String,
    name: String,
    expected: Option<String>,
    there: bool,
}

impl From<&v1::Order> for Order {
    fn from(order: &v1::Order) -> Self {
        let part = |id: &str, name: &str, expected: Option<&prost_types::Timestamp>, there| Part {
            id: id.to_owned(),
            name: name.to_owned(),
            expected: instant(expected),
            there,
        };
        Self {
            id: last(&order.name).to_owned(),
            vehicle: order.vehicle.clone(),
            note: order.note.clone(),
            state: word(order.state().as_str_name(), "STATE_"),
            arrival: instant(order.arrival_time.as_ref()),
            arrived: order.arrived,
            promise: instant(order.promise_time.as_ref()),
            late_weight: order.late_weight,
            flow_weight: order.flow_weight,
            visits: order.visits.iter().map(visit).collect(),
            operations: order.operations.iter().map(operation).collect(),
            links: order.links.iter().map(link).collect(),
            parts: order
                .parts
                .iter()
                .map(|one| part(&one.id, &one.display_name, one.expected_time.as_ref(), one.received))
                .collect(),
            approvals: order
                .approvals
                .iter()
                .map(|one| part(&one.id, &one.display_name, one.expected_time.as_ref(), one.granted))
                .collect(),
            etag: order.etag.clone(),
        }
    }
}

pub(super) fn visit(visit: &v1::Visit) -> Visit {
    Visit {
        id: visit.id.clone(),
        class: visit.bay_class.clone(),
        loose_parts: visit.loose_parts,
        family: set(&visit.family),
        bay: set(&visit.bay),
    }
}

pub(super) fn operation(operation: &v1::Operation) -> Operation {
    let progress = operation.progress.clone().unwrap_or_default();
    let pin = operation.pin.clone().unwrap_or_default();
    let state = match progress.state() {
        v1::progress::State::Unspecified => "open".to_owned(),
        state => word(state.as_str_name(), "STATE_"),
    };
    let hazards = operation.hazards.iter().filter_map(|&hazard| v1::Hazard::try_from(hazard).ok());
    let need = |need: &v1::EquipmentNeed| Need { equipment: need.equipment.clone(), count: need.count.max(1) };
    Operation {
        id: operation.id.clone(),
        name: operation.display_name.clone(),
        work_minutes: operation.work.as_ref().map(minutes),
        low_work_minutes: operation.low_work.as_ref().map(minutes),
        high_work_minutes: operation.high_work.as_ref().map(minutes),
        crew: operation.crew.clone(),
        visit: set(&operation.visit),
        equipment: operation.equipment.iter().map(need).collect(),
        stops_at_closing: operation.interruptible,
        needs: operation.needs.clone(),
        not_before: instant(operation.earliest_start_time.as_ref()),
        same_person: operation.same_person.as_ref().map(|same| same.operation.clone()),
        same_person_required: operation.same_person.as_ref().is_some_and(|same| same.required),
        pinned_technicians: pin.technicians,
        pinned_start: instant(pin.start_time.as_ref()),
        hazards: hazards.map(hazard_name).collect(),
        state,
        start: instant(progress.start_time.as_ref()),
        end: instant(progress.end_time.as_ref()),
        technicians: progress.technicians,
        minutes_left: progress.remaining_work.as_ref().map(minutes),
    }
}

pub(super) fn link(link: &v1::Link) -> Link {
    Link {
        from: link.from.clone(),
        to: link.to.clone(),
        min_wait_minutes: link.min_wait.as_ref().map_or(0, minutes),
        max_wait_minutes: link.max_wait.as_ref().map(minutes),
    }
}
