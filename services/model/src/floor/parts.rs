//! Parts: ordered, expected, received, wrong, damaged, returned.

use super::{Floor, FloorKind, FloorNote, PartEvent, Refused};
use crate::fault::Fault;
use crate::order::{Order, OrderFacts, Progress, Supply, SupplyState};

/// Applies what is heard of a part, and returns its order after it.
///
/// # Errors
/// What was said wrongly, or everything in the facts that forbids it.
pub fn apply_part(
    floor: &Floor<'_>,
    order: &str,
    part: &str,
    event: &PartEvent,
) -> Result<(OrderFacts, FloorNote), Refused> {
    let mut order = floor.order(order)?.clone();
    let Some(index) = order.parts.iter().position(|other| other.id == part) else {
        let known: Vec<&str> = order.parts.iter().map(|other| other.id.as_str()).collect();
        let known = if known.is_empty() { "it needs none".into() } else { format!("there are: {}", known.join(", ")) };
        return Err(Refused::fault("part", format!("order {:?} has no part {part:?}; {known}", order.id)));
    };
    let mut faults = Vec::new();
    let mut fault = |path: &str, message: String| faults.push(Fault { path: path.into(), message });
    let needs_time = !matches!(event.state, SupplyState::Received | SupplyState::Ordered);
    let known_time = order.parts[index].expected_time.is_some() && !order.parts[index].met;
    match event.expected_time {
        None if needs_time => {
            let which = if event.state == SupplyState::Expected { "it" } else { "the right one" };
            fault("expected_time", format!("say when {which} is expected, as well as you can"));
        }
        None if event.state == SupplyState::Ordered && !known_time => {
            fault("expected_time", "say when it is expected, as well as you can".into());
        }
        Some(_) if event.state == SupplyState::Received => {
            fault("expected_time", "is said, but the part is there".into());
        }
        _ => {}
    }
    if event.confidence_percent.is_some_and(|percent| !(1..=100).contains(&percent)) {
        fault("confidence_percent", "1 to 100".into());
    }
    if event.confidence_percent.is_some() && event.expected_time.is_none() {
        fault("confidence_percent", "says how sure an expected time is, and none is said".into());
    }
    if !faults.is_empty() {
        return Err(Refused::Faults(faults));
    }
    forbid(&order, part, event)?;
    let need = &mut order.parts[index];
    let awaited = need.expected_time;
    need.met = event.state == SupplyState::Received;
    need.expected_time = if need.met { None } else { event.expected_time.or(need.expected_time) };
    need.supply = Some(Supply { state: event.state, confidence_percent: event.confidence_percent });
    let mut note = FloorNote::new(kind(event.state), floor.at);
    (note.order, note.subject) = (Some(order.id.clone()), Some(part.to_owned()));
    // What was expected of a part that is there is kept: whether it was late is learned from that.
    (note.end_time, note.count) = (need.expected_time.or(awaited), event.confidence_percent);
    note.reason.clone_from(&event.reason);
    let order = Order::new(order, floor.shop).map_err(Refused::Faults)?;
    Ok((order.into_facts(), note))
}

/// Refuses what cannot be: a part that is built in has not gone astray.
fn forbid(order: &OrderFacts, part: &str, event: &PartEvent) -> Result<(), Refused> {
    let met = order.parts.iter().any(|need| need.id == part && need.met);
    if met && matches!(event.state, SupplyState::Ordered | SupplyState::Expected) {
        let message = format!("part {part} of order {} is there; say that it was wrong, damaged or returned", order.id);
        return Err(Refused::forbidden(message));
    }
    if event.state == SupplyState::Received {
        return Ok(());
    }
    let used = order.operations.iter().filter(|operation| operation.needs.iter().any(|need| need == part));
    let used: Vec<String> = used
        .filter(|operation| operation.progress != Progress::Waiting)
        .map(|operation| {
            let state = if matches!(operation.progress, Progress::Done { .. }) { "is done" } else { "has started" };
            format!("{} of order {} needs part {part} and {state}", operation.id, order.id)
        })
        .collect();
    if used.is_empty() { Ok(()) } else { Err(Refused::Forbidden(used)) }
}

fn kind(state: SupplyState) -> FloorKind {
    match state {
        SupplyState::Ordered => FloorKind::PartOrdered,
        SupplyState::Expected => FloorKind::PartExpected,
        SupplyState::Received => FloorKind::PartReceived,
        SupplyState::Wrong => FloorKind::PartWrong,
        SupplyState::Damaged => FloorKind::PartDamaged,
        SupplyState::Returned => FloorKind::PartReturned,
    }
}
