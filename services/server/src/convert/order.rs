//! Repair orders.

use fitup_model::order::{
    EquipmentNeed, Hazard, HoldPoint, Need, OrderLink, OrderOperation, OrderState, OrderVisit, Pin, Progress,
    SamePersonWish, Supply, SupplyState,
};
use fitup_model::{Fault, Order, OrderFacts, Shop};
use fitup_proto::v1;

use super::fields::{
    At, collect, count, each, instant, minutes, optional_count, optional_instant, optional_minutes, optional_text,
    to_count, to_instant, to_minutes,
};
use super::names::{self, Collection};

/// Reads an order that is to be called `id` and checks it against its shop. Output-only fields are not looked at: the
/// order is not cancelled.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read(id: &str, order: &v1::Order, shop: &Shop) -> Result<Order, Vec<Fault>> {
    let (facts, read) = collect(|at| facts(id, order, at));
    match Order::new(facts, shop) {
        Ok(order) if read.is_empty() => Ok(order),
        checked => Err(super::merge(read, checked.err().unwrap_or_default())),
    }
}

/// Writes the facts of an order of `shop`; what the server adds to them is left empty.
pub fn write(shop: &str, order: &OrderFacts) -> v1::Order {
    v1::Order {
        name: names::child(shop, Collection::Orders, &order.id),
        vehicle: order.vehicle.clone(),
        note: order.note.clone(),
        state: to_state(order.state()).into(),
        arrival_time: Some(to_instant(order.arrival_time)),
        arrived: order.arrived,
        promise_time: order.promise_time.map(to_instant),
        late_weight: order.late_weight.map(to_count),
        flow_weight: order.flow_weight.map(to_count),
        visits: order.visits.iter().map(to_visit).collect(),
        operations: order.operations.iter().map(to_operation).collect(),
        links: order.links.iter().map(to_link).collect(),
        parts: order.parts.iter().map(to_part).collect(),
        approvals: order.approvals.iter().map(to_approval).collect(),
        ..Default::default()
    }
}

/// Reads the states that a list is asked for; none means all.
///
/// # Errors
/// A fault for each that does not exist.
pub fn read_states(states: &[i32]) -> Result<Vec<OrderState>, Vec<Fault>> {
    let (states, faults) = collect(|at| {
        each(states, "states", at, |state, at| match v1::order::State::try_from(*state) {
            Ok(v1::order::State::Open) => OrderState::Open,
            Ok(v1::order::State::Complete) => OrderState::Complete,
            Ok(v1::order::State::Cancelled) => OrderState::Cancelled,
            Ok(v1::order::State::Unspecified) | Err(_) => {
                at.fault("is no state of an order");
                OrderState::Open
            }
        })
    });
    if faults.is_empty() { Ok(states) } else { Err(faults) }
}

fn to_state(state: OrderState) -> v1::order::State {
    match state {
        OrderState::Open => v1::order::State::Open,
        OrderState::Complete => v1::order::State::Complete,
        OrderState::Cancelled => v1::order::State::Cancelled,
    }
}

/// Reads the facts of an order, not checked against a shop.
pub fn facts(id: &str, order: &v1::Order, at: &At) -> OrderFacts {
    OrderFacts {
        id: id.to_owned(),
        vehicle: order.vehicle.clone(),
        note: order.note.clone(),
        cancelled: false,
        arrival_time: instant(order.arrival_time.as_ref(), &at.field("arrival_time")),
        arrived: order.arrived,
        promise_time: optional_instant(order.promise_time.as_ref(), &at.field("promise_time")),
        late_weight: optional_count(order.late_weight, &at.field("late_weight")),
        flow_weight: optional_count(order.flow_weight, &at.field("flow_weight")),
        visits: each(&order.visits, "visits", at, |visit, _| self::visit(visit)),
        operations: each(&order.operations, "operations", at, operation),
        links: each(&order.links, "links", at, link),
        parts: each(&order.parts, "parts", at, part),
        approvals: each(&order.approvals, "approvals", at, approval),
    }
}

fn visit(visit: &v1::Visit) -> OrderVisit {
    OrderVisit {
        id: visit.id.clone(),
        bay_class: visit.bay_class.clone(),
        loose_parts: visit.loose_parts,
        family: optional_text(&visit.family),
        bay: optional_text(&visit.bay),
    }
}

fn to_visit(visit: &OrderVisit) -> v1::Visit {
    v1::Visit {
        id: visit.id.clone(),
        bay_class: visit.bay_class.clone(),
        loose_parts: visit.loose_parts,
        family: visit.family.clone().unwrap_or_default(),
        bay: visit.bay.clone().unwrap_or_default(),
    }
}

fn operation(operation: &v1::Operation, at: &At) -> OrderOperation {
    OrderOperation {
        id: operation.id.clone(),
        display_name: operation.display_name.clone(),
        work_minutes: minutes(operation.work.as_ref(), &at.field("work")),
        low_work_minutes: optional_minutes(operation.low_work.as_ref(), &at.field("low_work")),
        high_work_minutes: optional_minutes(operation.high_work.as_ref(), &at.field("high_work")),
        crew: operation.crew.clone(),
        visit: optional_text(&operation.visit),
        equipment: each(&operation.equipment, "equipment", at, equipment),
        interruptible: operation.interruptible,
        needs: operation.needs.clone(),
        earliest_start_time: optional_instant(operation.earliest_start_time.as_ref(), &at.field("earliest_start_time")),
        same_person: operation
            .same_person
            .as_ref()
            .map(|wish| SamePersonWish { operation: wish.operation.clone(), required: wish.required }),
        pin: operation.pin.as_ref().map(|pin| self::pin(pin, &at.field("pin"))),
        hazards: each(&operation.hazards, "hazards", at, |value, at| hazard(*value, at)),
        hold_point: operation
            .hold_point
            .as_ref()
            .map(|hold| HoldPoint { rework: hold.rework.clone(), measure: hold.measure.clone() }),
        progress: operation
            .progress
            .as_ref()
            .map_or(Progress::Waiting, |progress| self::progress(progress, &at.field("progress"))),
    }
}

fn to_operation(operation: &OrderOperation) -> v1::Operation {
    v1::Operation {
        id: operation.id.clone(),
        display_name: operation.display_name.clone(),
        work: Some(to_minutes(operation.work_minutes)),
        low_work: operation.low_work_minutes.map(to_minutes),
        high_work: operation.high_work_minutes.map(to_minutes),
        crew: operation.crew.clone(),
        visit: operation.visit.clone().unwrap_or_default(),
        equipment: operation
            .equipment
            .iter()
            .map(|need| v1::EquipmentNeed { equipment: need.equipment.clone(), count: to_count(need.count) })
            .collect(),
        interruptible: operation.interruptible,
        needs: operation.needs.clone(),
        earliest_start_time: operation.earliest_start_time.map(to_instant),
        same_person: operation
            .same_person
            .as_ref()
            .map(|wish| v1::SamePerson { operation: wish.operation.clone(), required: wish.required }),
        pin: operation
            .pin
            .as_ref()
            .map(|pin| v1::Pin { technicians: pin.technicians.clone(), start_time: pin.start_time.map(to_instant) }),
        hazards: operation.hazards.iter().map(|hazard| to_hazard(*hazard).into()).collect(),
        hold_point: operation
            .hold_point
            .as_ref()
            .map(|hold| v1::HoldPoint { rework: hold.rework.clone(), measure: hold.measure.clone() }),
        progress: to_progress(&operation.progress),
    }
}

fn equipment(need: &v1::EquipmentNeed, at: &At) -> EquipmentNeed {
    let pieces = match count(need.count, 1, &at.field("count")) {
        0 => 1,
        pieces => pieces,
    };
    EquipmentNeed { equipment: need.equipment.clone(), count: pieces }
}

fn pin(pin: &v1::Pin, at: &At) -> Pin {
    Pin {
        technicians: pin.technicians.clone(),
        start_time: optional_instant(pin.start_time.as_ref(), &at.field("start_time")),
    }
}

const HAZARDS: [(v1::Hazard, Hazard); 8] = [
    (v1::Hazard::HighVoltage, Hazard::HighVoltage),
    (v1::Hazard::RestraintSystem, Hazard::RestraintSystem),
    (v1::Hazard::Isocyanate, Hazard::Isocyanate),
    (v1::Hazard::UncuredGlass, Hazard::UncuredGlass),
    (v1::Hazard::RaisedVehicle, Hazard::RaisedVehicle),
    (v1::Hazard::Tension, Hazard::Tension),
    (v1::Hazard::Refrigerant, Hazard::Refrigerant),
    (v1::Hazard::Welding, Hazard::Welding),
];

fn hazard(hazard: i32, at: &At) -> Hazard {
    let found = HAZARDS.iter().find(|(proto, _)| *proto as i32 == hazard);
    found.map_or_else(
        || {
            at.fault("is no hazard that is known here");
            Hazard::Welding
        },
        |(_, hazard)| *hazard,
    )
}

pub fn to_hazard(hazard: Hazard) -> v1::Hazard {
    let found = HAZARDS.iter().find(|(_, model)| *model == hazard);
    found.map(|(proto, _)| *proto).expect("all hazards are listed")
}

fn progress(progress: &v1::Progress, at: &At) -> Progress {
    let refuse = |name: &'static str, is_set: bool, message: &str| {
        if is_set {
            at.field(name).fault(message);
        }
    };
    let start_time = || instant(progress.start_time.as_ref(), &at.field("start_time"));
    if progress.state != i32::from(v1::progress::State::Running) {
        refuse("remaining_time", progress.remaining_time.is_some(), "is set, but the state is not running");
    }
    if progress.state != i32::from(v1::progress::State::Paused) {
        refuse("pause_time", progress.pause_time.is_some(), "is set, but the state is not paused");
        refuse("pause_reason", !progress.pause_reason.is_empty(), "is set, but the state is not paused");
    }
    match v1::progress::State::try_from(progress.state) {
        Ok(v1::progress::State::Unspecified) => {
            refuse("start_time", progress.start_time.is_some(), "is set, but the state is neither running nor done");
            refuse("technicians", !progress.technicians.is_empty(), "are set, but nothing has started");
            refuse("end_time", progress.end_time.is_some(), "is set, but the state is not done");
            refuse("remaining_work", progress.remaining_work.is_some(), "is set, but the state is not running");
            Progress::Waiting
        }
        Ok(v1::progress::State::Running) => {
            refuse("end_time", progress.end_time.is_some(), "is set, but the state is not done");
            Progress::Running {
                start_time: start_time(),
                technicians: progress.technicians.clone(),
                remaining_minutes: minutes(progress.remaining_work.as_ref(), &at.field("remaining_work")),
                remaining_time: optional_instant(progress.remaining_time.as_ref(), &at.field("remaining_time")),
            }
        }
        Ok(v1::progress::State::Paused) => {
            refuse("end_time", progress.end_time.is_some(), "is set, but the state is not done");
            Progress::Paused {
                start_time: start_time(),
                pause_time: instant(progress.pause_time.as_ref(), &at.field("pause_time")),
                technicians: progress.technicians.clone(),
                remaining_minutes: minutes(progress.remaining_work.as_ref(), &at.field("remaining_work")),
                reason: progress.pause_reason.clone(),
            }
        }
        Ok(v1::progress::State::Done) => {
            refuse("remaining_work", progress.remaining_work.is_some(), "is set, but the state is not running");
            Progress::Done {
                start_time: start_time(),
                end_time: instant(progress.end_time.as_ref(), &at.field("end_time")),
                technicians: progress.technicians.clone(),
            }
        }
        Err(_) => {
            at.field("state").fault("is no state of an operation");
            Progress::Waiting
        }
    }
}

fn to_progress(progress: &Progress) -> Option<v1::Progress> {
    match progress {
        Progress::Waiting => None,
        Progress::Running { start_time, technicians, remaining_minutes, remaining_time } => Some(v1::Progress {
            state: v1::progress::State::Running.into(),
            start_time: Some(to_instant(*start_time)),
            technicians: technicians.clone(),
            remaining_work: Some(to_minutes(*remaining_minutes)),
            remaining_time: remaining_time.map(to_instant),
            ..Default::default()
        }),
        Progress::Paused { start_time, pause_time, technicians, remaining_minutes, reason } => Some(v1::Progress {
            state: v1::progress::State::Paused.into(),
            start_time: Some(to_instant(*start_time)),
            pause_time: Some(to_instant(*pause_time)),
            technicians: technicians.clone(),
            remaining_work: Some(to_minutes(*remaining_minutes)),
            pause_reason: reason.clone(),
            ..Default::default()
        }),
        Progress::Done { start_time, end_time, technicians } => Some(v1::Progress {
            state: v1::progress::State::Done.into(),
            start_time: Some(to_instant(*start_time)),
            end_time: Some(to_instant(*end_time)),
            technicians: technicians.clone(),
            ..Default::default()
        }),
    }
}

fn link(link: &v1::Link, at: &At) -> OrderLink {
    OrderLink {
        from: link.from.clone(),
        to: link.to.clone(),
        min_wait_minutes: optional_minutes(link.min_wait.as_ref(), &at.field("min_wait")).unwrap_or(0),
        max_wait_minutes: optional_minutes(link.max_wait.as_ref(), &at.field("max_wait")),
    }
}

fn to_link(link: &OrderLink) -> v1::Link {
    v1::Link {
        from: link.from.clone(),
        to: link.to.clone(),
        min_wait: (link.min_wait_minutes > 0).then(|| to_minutes(link.min_wait_minutes)),
        max_wait: link.max_wait_minutes.map(to_minutes),
    }
}

fn part(part: &v1::Part, at: &At) -> Need {
    Need {
        id: part.id.clone(),
        display_name: part.display_name.clone(),
        expected_time: optional_instant(part.expected_time.as_ref(), &at.field("expected_time")),
        met: part.received,
        supply: supply(part, at),
    }
}

/// Returns what was heard of a part; how sure its expected time is can be said only with that.
fn supply(part: &v1::Part, at: &At) -> Option<Supply> {
    let confidence = count(part.confidence_percent, 1, &at.field("confidence_percent"));
    let confidence_percent = (confidence > 0).then_some(confidence);
    let state = supply_state(part.supply_state, &at.field("supply_state"));
    if state.is_none() && confidence_percent.is_some() {
        at.field("confidence_percent").fault("is set, but not what was heard of the part");
    }
    state.map(|state| Supply { state, confidence_percent })
}

const SUPPLY_STATES: [(v1::SupplyState, SupplyState); 6] = [
    (v1::SupplyState::Ordered, SupplyState::Ordered),
    (v1::SupplyState::Expected, SupplyState::Expected),
    (v1::SupplyState::Received, SupplyState::Received),
    (v1::SupplyState::Wrong, SupplyState::Wrong),
    (v1::SupplyState::Damaged, SupplyState::Damaged),
    (v1::SupplyState::Returned, SupplyState::Returned),
];

/// Reads what was heard of a part; unspecified is nothing.
pub(super) fn supply_state(state: i32, at: &At) -> Option<SupplyState> {
    let found = SUPPLY_STATES.iter().find(|(proto, _)| *proto as i32 == state).map(|(_, state)| *state);
    if found.is_none() && state != 0 {
        at.fault("is no state of a part that is known here");
    }
    found
}

fn to_part(need: &Need) -> v1::Part {
    v1::Part {
        id: need.id.clone(),
        display_name: need.display_name.clone(),
        expected_time: need.expected_time.map(to_instant),
        received: need.met,
        supply_state: need.supply.map_or(v1::SupplyState::Unspecified, |supply| to_supply_state(supply.state)).into(),
        confidence_percent: need.supply.and_then(|supply| supply.confidence_percent).map_or(0, to_count),
    }
}

fn to_supply_state(state: SupplyState) -> v1::SupplyState {
    let found = SUPPLY_STATES.iter().find(|(_, model)| *model == state);
    found.map(|(proto, _)| *proto).expect("all states are listed")
}

fn approval(approval: &v1::Approval, at: &At) -> Need {
    Need {
        id: approval.id.clone(),
        display_name: approval.display_name.clone(),
        expected_time: optional_instant(approval.expected_time.as_ref(), &at.field("expected_time")),
        met: approval.granted,
        supply: None,
    }
}

fn to_approval(need: &Need) -> v1::Approval {
    v1::Approval {
        id: need.id.clone(),
        display_name: need.display_name.clone(),
        expected_time: need.expected_time.map(to_instant),
        granted: need.met,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn progress_faults(progress: v1::Progress) -> Vec<String> {
        let (_, faults) = collect(|at| super::progress(&progress, &at.field("progress")));
        faults.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn progress_has_what_its_state_asks_for_and_nothing_else() {
        let some = || Some(prost_types::Timestamp { seconds: 0, nanos: 0 });
        let work = || Some(prost_types::Duration { seconds: 60, nanos: 0 });
        let state = |state: v1::progress::State| v1::Progress { state: state.into(), ..Default::default() };
        assert_eq!(progress_faults(v1::Progress::default()), [""; 0]);
        assert_eq!(
            progress_faults(state(v1::progress::State::Running)),
            ["progress.start_time: is required", "progress.remaining_work: is required"]
        );
        assert_eq!(
            progress_faults(v1::Progress { end_time: some(), ..state(v1::progress::State::Unspecified) }),
            ["progress.end_time: is set, but the state is not done"]
        );
        assert_eq!(
            progress_faults(v1::Progress {
                start_time: some(),
                end_time: some(),
                remaining_work: work(),
                ..state(v1::progress::State::Done)
            }),
            ["progress.remaining_work: is set, but the state is not running"]
        );
        assert_eq!(
            progress_faults(v1::Progress { state: 9, ..Default::default() }),
            ["progress.state: is no state of an operation"]
        );
    }

    #[test]
    fn hazards_and_states_must_be_known() {
        let (_, faults) = collect(|at| hazard(0, &at.item("hazards", 0)));
        assert_eq!(faults.len(), 1);
        let (_, faults) = collect(|at| hazard(99, &at.item("hazards", 0)));
        assert_eq!(faults[0].to_string(), "hazards[0]: is no hazard that is known here");
        assert_eq!(read_states(&[1, 3]), Ok(vec![OrderState::Open, OrderState::Cancelled]));
        assert_eq!(read_states(&[0]).unwrap_err()[0].path, "states[0]");
        assert_eq!(read_states(&[1, 17]).unwrap_err()[0].path, "states[1]");
    }
}
