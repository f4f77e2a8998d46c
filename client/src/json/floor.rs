//! The floor as JSON: records, what they hit, the dispatch list, answers and differences.

use fitup_proto::v1;
use serde::Serialize;

use super::{id_of, instant, set, word};
use crate::names::last;
use crate::wire::minutes;

/// Answer of every event of `floor`, and a line of `floor records`.
#[derive(Debug, Serialize)]
pub struct FloorRecord {
    id: String,
    kind: String,
    at: Option<String>,
    recorded: Option<String>,
    actor: String,
    order: Option<String>,
    operation: Option<String>,
    subject: Option<String>,
    technicians: Vec<String>,
    bay: Option<String>,
    start: Option<String>,
    end: Option<String>,
    planned_end: Option<String>,
    booked_minutes: Option<i64>,
    count: Option<i32>,
    measurement: Option<String>,
    reason: Option<String>,
    added: Vec<String>,
    /// What the published plan becomes; only where something was just recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    impact: Option<Impact>,
}

impl FloorRecord {
    /// Returns a record, with what it does to the published plan.
    pub fn new(record: &v1::FloorRecord, impact: Option<&v1::Impact>) -> Self {
        Self {
            id: last(&record.name).to_owned(),
            kind: word(record.kind().as_str_name(), "KIND_").replace('_', "-"),
            at: instant(record.event_time.as_ref()),
            recorded: instant(record.create_time.as_ref()),
            actor: record.actor.clone(),
            order: id_of(&record.order),
            operation: set(&record.operation),
            subject: set(&record.subject),
            technicians: record.technicians.clone(),
            bay: set(&record.bay),
            start: instant(record.start_time.as_ref()),
            end: instant(record.end_time.as_ref()),
            planned_end: instant(record.planned_end_time.as_ref()),
            booked_minutes: record.booked_work.as_ref().map(minutes),
            count: (record.count > 0).then_some(record.count),
            measurement: set(&record.measurement),
            reason: set(&record.reason),
            added: record.added_operations.clone(),
            impact: impact.map(Impact::from),
        }
    }
}

/// Answer of `floor impact`.
#[derive(Debug, Serialize)]
pub struct Impact {
    plan: String,
    stale: bool,
    as_of: Option<String>,
    unchanged: i32,
    hits: Vec<Hit>,
}

#[derive(Debug, Serialize)]
struct Hit {
    order: String,
    vehicle: String,
    promise: Option<String>,
    published: Option<String>,
    expected: Option<String>,
    message: Option<String>,
}

impl From<&v1::Impact> for Impact {
    fn from(impact: &v1::Impact) -> Self {
        let hit = |hit: &v1::Hit| Hit {
            order: last(&hit.order).to_owned(),
            vehicle: hit.vehicle.clone(),
            promise: instant(hit.promise_time.as_ref()),
            published: instant(hit.published_time.as_ref()),
            expected: instant(hit.expected_time.as_ref()),
            message: set(&hit.message),
        };
        Self {
            plan: last(&impact.plan).to_owned(),
            stale: impact.stale,
            as_of: instant(impact.as_of_time.as_ref()),
            unchanged: impact.unchanged_count,
            hits: impact.hits.iter().map(hit).collect(),
        }
    }
}

/// A line of `floor list`: a technician or a bay.
#[derive(Debug, Serialize)]
pub struct Lane {
    plan: String,
    technician: Option<String>,
    bay: Option<String>,
    entries: Vec<Entry>,
    /// What is said of the hazards of the entries, and whose word comes first; nothing where there are none.
    cautions: Vec<HazardCaution>,
    last_word: Option<String>,
}

#[derive(Debug, Serialize)]
struct HazardCaution {
    hazard: String,
    message: String,
    source: String,
}

#[derive(Debug, Serialize)]
struct Entry {
    order: String,
    vehicle: String,
    operation: String,
    name: String,
    bay: Option<String>,
    technicians: Vec<String>,
    start: Option<String>,
    end: Option<String>,
    state: String,
    hold_point: bool,
    waits: Vec<Wait>,
    hazards: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Wait {
    kind: String,
    subject: Option<String>,
    holder: Option<String>,
    until: Option<String>,
}

/// Returns the lines of a dispatch list.
pub fn lanes(list: &v1::DispatchList) -> Vec<Lane> {
    let plan = last(&list.plan);
    let lane = |lane: &v1::DispatchLane, is_bay: bool| {
        let cautions = cautions(list, lane);
        Lane {
            plan: plan.to_owned(),
            technician: (!is_bay).then(|| lane.id.clone()),
            bay: is_bay.then(|| lane.id.clone()),
            entries: lane.entries.iter().map(entry).collect(),
            last_word: set(&list.last_word).filter(|_| !cautions.is_empty()),
            cautions,
        }
    };
    let people = list.technicians.iter().map(|of| lane(of, false));
    people.chain(list.bays.iter().map(|of| lane(of, true))).collect()
}

fn hazard(hazard: v1::Hazard) -> String {
    word(hazard.as_str_name(), "HAZARD_").replace('_', "-")
}

/// Returns what is said of the hazards of a lane, each once.
fn cautions(list: &v1::DispatchList, lane: &v1::DispatchLane) -> Vec<HazardCaution> {
    let listed = |of: v1::Hazard| lane.entries.iter().any(|entry| entry.hazards().any(|other| other == of));
    let said = list.cautions.iter().filter(|said| listed(said.hazard()));
    said.map(|said| {
        let v1::Caution { message, source, .. } = said.caution.clone().unwrap_or_default();
        HazardCaution { hazard: hazard(said.hazard()), message, source }
    })
    .collect()
}

fn entry(entry: &v1::DispatchEntry) -> Entry {
    let wait = |wait: &v1::DispatchWait| Wait {
        kind: word(wait.kind().as_str_name(), "KIND_"),
        subject: set(&wait.subject),
        holder: set(&wait.holder),
        until: instant(wait.until_time.as_ref()),
    };
    Entry {
        order: last(&entry.order).to_owned(),
        vehicle: entry.vehicle.clone(),
        operation: entry.operation.clone(),
        name: entry.display_name.clone(),
        bay: set(&entry.bay),
        technicians: entry.technicians.clone(),
        start: instant(entry.start_time.as_ref()),
        end: instant(entry.end_time.as_ref()),
        state: word(entry.state().as_str_name(), "STATE_"),
        hold_point: entry.hold_point,
        waits: entry.waits.iter().map(wait).collect(),
        hazards: entry.hazards().map(hazard).collect(),
    }
}

/// A line of `replan`.
#[derive(Debug, Serialize)]
pub struct Answer {
    answer: String,
    plan: String,
    price: i64,
    bound: i64,
    late: i32,
    late_minutes: i64,
    left_out: i32,
    soon: i32,
    soon_moved: i32,
    moved: i32,
    overtime: Vec<OvertimeUse>,
}

#[derive(Debug, Serialize)]
struct OvertimeUse {
    technician: String,
    start: Option<String>,
    end: Option<String>,
    minutes: i64,
    worth: i64,
}

impl From<&v1::Answer> for Answer {
    fn from(answer: &v1::Answer) -> Self {
        let plan = answer.plan.clone().unwrap_or_default();
        let used = |used: &v1::OvertimeUse| OvertimeUse {
            technician: used.technician.clone(),
            start: instant(used.start_time.as_ref()),
            end: instant(used.end_time.as_ref()),
            minutes: used.work.as_ref().map_or(0, minutes),
            worth: used.worth,
        };
        Self {
            answer: word(answer.kind().as_str_name(), "KIND_").replace('_', "-"),
            plan: last(&plan.name).to_owned(),
            price: plan.price.map_or(0, |price| price.total),
            bound: plan.bound,
            late: answer.late_count,
            late_minutes: answer.late_time.as_ref().map_or(0, minutes),
            left_out: answer.left_out_count,
            soon: answer.soon_count,
            soon_moved: answer.soon_moved_count,
            moved: answer.moved_count,
            overtime: answer.overtime.iter().map(used).collect(),
        }
    }
}

/// Answer of `plan diff`.
#[derive(Debug, Serialize)]
pub struct PlanDiff {
    before: String,
    after: String,
    compared: i32,
    operations: Vec<OperationChange>,
    promises: Vec<PromiseChange>,
}

#[derive(Debug, Serialize)]
struct OperationChange {
    order: String,
    operation: String,
    name: String,
    before: Option<Slot>,
    after: Option<Slot>,
    because: Option<Because>,
}

#[derive(Debug, Serialize)]
struct Slot {
    start: Option<String>,
    end: Option<String>,
    bay: Option<String>,
    technicians: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Because {
    kind: String,
    subject: Option<String>,
    holder: Option<String>,
    until: Option<String>,
}

#[derive(Debug, Serialize)]
struct PromiseChange {
    order: String,
    promise: Option<String>,
    before: Option<String>,
    after: Option<String>,
}

impl From<&v1::PlanDiff> for PlanDiff {
    fn from(diff: &v1::PlanDiff) -> Self {
        let slot = |slot: &v1::Slot| Slot {
            start: instant(slot.start_time.as_ref()),
            end: instant(slot.end_time.as_ref()),
            bay: set(&slot.bay),
            technicians: slot.technicians.clone(),
        };
        let because = |reason: &v1::ChangeReason| Because {
            kind: word(reason.kind().as_str_name(), "KIND_"),
            subject: set(&reason.subject),
            holder: set(&reason.holder),
            until: instant(reason.until_time.as_ref()),
        };
        let operation = |change: &v1::OperationChange| OperationChange {
            order: last(&change.order).to_owned(),
            operation: change.operation.clone(),
            name: change.display_name.clone(),
            before: change.before.as_ref().map(slot),
            after: change.after.as_ref().map(slot),
            because: change.reason.as_ref().map(because),
        };
        let promise = |change: &v1::PromiseChange| PromiseChange {
            order: last(&change.order).to_owned(),
            promise: instant(change.promise_time.as_ref()),
            before: instant(change.before_time.as_ref()),
            after: instant(change.after_time.as_ref()),
        };
        Self {
            before: last(&diff.before).to_owned(),
            after: last(&diff.after).to_owned(),
            compared: diff.compared_count,
            operations: diff.operations.iter().map(operation).collect(),
            promises: diff.promises.iter().map(promise).collect(),
        }
    }
}
