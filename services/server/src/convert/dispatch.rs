//! The dispatch list: from the model to the contract only.

use fitup_model::dispatch::{Entry, EntryState, Lane, Wait};
use fitup_proto::v1;
use fitup_proto::v1::dispatch_wait::Kind;
use jiff::Timestamp;

use super::fields::to_instant;
use super::names::{self, Collection};
use super::order::to_hazard;

/// Writes what a technician or a bay of `shop` does.
pub fn write_lane(shop: &str, lane: &Lane) -> v1::DispatchLane {
    v1::DispatchLane { id: lane.id.clone(), entries: lane.entries.iter().map(|entry| write(shop, entry)).collect() }
}

fn write(shop: &str, entry: &Entry) -> v1::DispatchEntry {
    let state = match entry.state {
        EntryState::Running => v1::dispatch_entry::State::Running,
        EntryState::Paused => v1::dispatch_entry::State::Paused,
        EntryState::Ready => v1::dispatch_entry::State::Ready,
        EntryState::Waiting => v1::dispatch_entry::State::Waiting,
        EntryState::Blocked => v1::dispatch_entry::State::Blocked,
    };
    v1::DispatchEntry {
        order: names::child(shop, Collection::Orders, &entry.order),
        vehicle: entry.vehicle.clone(),
        operation: entry.operation.clone(),
        display_name: entry.display_name.clone(),
        bay: entry.bay.clone().unwrap_or_default(),
        technicians: entry.technicians.clone(),
        start_time: Some(to_instant(entry.start_time)),
        end_time: Some(to_instant(entry.end_time)),
        state: state.into(),
        waits: entry.waits.iter().map(to_wait).collect(),
        hazards: entry.hazards.iter().map(|hazard| to_hazard(*hazard).into()).collect(),
        hold_point: entry.hold_point,
    }
}

fn to_wait(wait: &Wait) -> v1::DispatchWait {
    let message = |kind: Kind, subject: &str, holder: &str, until: Option<Timestamp>| v1::DispatchWait {
        kind: kind.into(),
        subject: subject.to_owned(),
        holder: holder.to_owned(),
        until_time: until.map(to_instant),
    };
    match wait {
        Wait::Car(until) => message(Kind::Car, "", "", Some(*until)),
        Wait::Work(id, until) => message(Kind::Work, id, "", Some(*until)),
        Wait::Cure(id, until) => message(Kind::Cure, id, "", Some(*until)),
        Wait::Part(id, until) => message(Kind::Part, id, "", *until),
        Wait::Approval(id, until) => message(Kind::Approval, id, "", *until),
        Wait::Bay(id, holder) => message(Kind::Bay, id, holder, None),
        Wait::Technician(id, holder) => message(Kind::Technician, id, holder, None),
        Wait::Out(id, until) => message(Kind::Out, id, "", Some(*until)),
        Wait::Down(id, until) => message(Kind::Down, id, "", Some(*until)),
    }
}
