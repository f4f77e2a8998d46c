//! What the dispatcher settles by hand: crews, bays and starts.

use super::work::not_before_last_word;
use super::{Floor, FloorKind, FloorNote, Refused, Settlement, called, index_of, minutes_left};
use crate::fault::Fault;
use crate::order::{Order, OrderFacts, Pin, Progress};

/// Applies what is settled about an operation, and returns its order after it.
///
/// # Errors
/// What was said wrongly, or everything in the facts that forbids it.
pub fn apply_settlement(
    floor: &Floor<'_>,
    order: &str,
    operation: &str,
    settlement: &Settlement,
) -> Result<(OrderFacts, FloorNote), Refused> {
    let mut order = floor.order(order)?.clone();
    let index = index_of(&order, operation)?;
    if matches!(order.operations[index].progress, Progress::Done { .. }) {
        return Err(Refused::forbidden(format!(
            "{} is done; reopen it first",
            called(&order, &order.operations[index])
        )));
    }
    let kind = match settlement {
        Settlement::Swap { .. } => FloorKind::Swap,
        Settlement::Pin { .. } => FloorKind::Pin,
        Settlement::Unpin => FloorKind::Unpin,
    };
    let mut note = FloorNote::new(kind, floor.at);
    (note.order, note.operation) = (Some(order.id.clone()), Some(operation.to_owned()));
    note.planned_end_time = floor.planned(&order.id, operation).map(|planned| planned.end_time);
    match settlement {
        Settlement::Swap { out, into } => swap(floor, &mut order, index, (out, into), &mut note)?,
        Settlement::Pin { technicians, bay, start_time } => {
            note.technicians.clone_from(technicians);
            (note.bay, note.start_time) = (bay.clone(), *start_time);
            pin(floor, &mut order, index, settlement)?;
        }
        Settlement::Unpin => unpin(&mut order, index)?,
    }
    let order = Order::new(order, floor.shop).map_err(Refused::Faults)?;
    Ok((order.into_facts(), note))
}

fn swap(
    floor: &Floor<'_>,
    order: &mut OrderFacts,
    index: usize,
    (out, into): (&str, &str),
    note: &mut FloorNote,
) -> Result<(), Refused> {
    let mut faults = Vec::new();
    floor.check_people("out", std::slice::from_ref(&out.to_owned()), &mut faults);
    floor.check_people("into", std::slice::from_ref(&into.to_owned()), &mut faults);
    if out == into {
        faults.push(Fault { path: "into".into(), message: format!("{into:?} is who leaves") });
    }
    if !faults.is_empty() {
        return Err(Refused::Faults(faults));
    }
    let operation = &order.operations[index];
    not_before_last_word(floor, operation)?;
    let called = called(order, operation);
    let left = minutes_left(floor.shop, operation, floor.at);
    let crew = match &operation.progress {
        Progress::Running { technicians, .. } => technicians.clone(),
        _ => {
            let pinned = operation.pin.as_ref().map(|pin| pin.technicians.clone()).filter(|crew| !crew.is_empty());
            let planned = floor.planned(&order.id, &operation.id).map(|planned| planned.technicians.clone());
            let Some(crew) = pinned.or(planned) else {
                return Err(Refused::forbidden(format!("no crew is planned for {called}; pin the whole crew instead")));
            };
            crew
        }
    };
    let Some(place) = crew.iter().position(|id| id == out) else {
        return Err(Refused::forbidden(format!("{out} is not on {called}; {} is", crew.join(" and "))));
    };
    if crew.iter().any(|id| id == into) {
        return Err(Refused::forbidden(format!("{into} is on {called} already")));
    }
    let skill = operation.crew.get(place);
    if skill.is_some_and(|skill| !floor.has_skill(into, skill)) {
        let skill = skill.map_or("", String::as_str);
        return Err(Refused::fault(
            "into",
            format!("{into:?} does not have skill {skill:?}, which that place asks for"),
        ));
    }
    let mut crew = crew;
    crew[place] = into.to_owned();
    note.technicians.clone_from(&crew);
    note.subject = Some(out.to_owned());
    let operation = &mut order.operations[index];
    match &mut operation.progress {
        Progress::Running { technicians, remaining_minutes, remaining_time, .. } => {
            let elsewhere = floor.orders.iter().flat_map(|other| other.operations.iter().map(move |o| (other, o)));
            for (other, running) in elsewhere {
                if let Progress::Running { technicians, .. } = &running.progress
                    && technicians.iter().any(|id| id == into)
                {
                    let at = super::called(other, running);
                    return Err(Refused::forbidden(format!("{into} is on {at}; clock off there first")));
                }
            }
            *technicians = crew;
            (*remaining_minutes, *remaining_time) = (left, Some(floor.at));
        }
        _ => operation.pin.get_or_insert_default().technicians = crew,
    }
    Ok(())
}

fn pin(floor: &Floor<'_>, order: &mut OrderFacts, index: usize, settlement: &Settlement) -> Result<(), Refused> {
    let Settlement::Pin { technicians, bay, start_time } = settlement else { return Ok(()) };
    if technicians.is_empty() && bay.is_none() && start_time.is_none() {
        return Err(Refused::fault("technicians", "say whom, which bay or which start it is tied to"));
    }
    let called = called(order, &order.operations[index]);
    let running = matches!(order.operations[index].progress, Progress::Running { .. });
    let mut reasons = Vec::new();
    if running && (start_time.is_some() || !technicians.is_empty()) {
        reasons.push(format!("{called} is running; swap a member of its crew instead"));
    }
    if let Some(start) = start_time.filter(|start| *start < floor.at) {
        reasons.push(format!("{} is over; a start is pinned ahead", floor.say(start)));
    }
    let visit = order.operations[index].visit.clone();
    if let Some(bay) = bay {
        let entered = order
            .operations
            .iter()
            .any(|other| other.visit.is_some() && other.visit == visit && other.progress != Progress::Waiting);
        match order.visits.iter_mut().find(|other| Some(&other.id) == visit.as_ref()) {
            None => reasons.push(format!("{called} needs no bay")),
            Some(visit) if entered && visit.bay.as_ref() != Some(bay) => {
                let stands = visit.bay.as_deref().unwrap_or("its bay");
                reasons.push(format!("{called} goes on in {stands}, where its visit began"));
            }
            Some(visit) => {
                // Other than a fact that has begun, what is still to come keeps to the class of the bay.
                let known = floor.shop.bays.iter().find(|other| other.id == *bay);
                let Some(known) = known else {
                    let all: Vec<&str> = floor.shop.bays.iter().map(|bay| bay.id.as_str()).collect();
                    return Err(Refused::fault("bay", format!("no bay {bay:?}; there are: {}", all.join(", "))));
                };
                if !known.classes.contains(&visit.bay_class) {
                    return Err(Refused::fault("bay", format!("bay {bay:?} is not of class {:?}", visit.bay_class)));
                }
                visit.bay = Some(bay.clone());
            }
        }
    }
    if !reasons.is_empty() {
        return Err(Refused::Forbidden(reasons));
    }
    if !technicians.is_empty() || start_time.is_some() {
        let pin: &mut Pin = order.operations[index].pin.get_or_insert_default();
        if !technicians.is_empty() {
            pin.technicians.clone_from(technicians);
        }
        pin.start_time = start_time.or(pin.start_time);
    }
    Ok(())
}

fn unpin(order: &mut OrderFacts, index: usize) -> Result<(), Refused> {
    let called = called(order, &order.operations[index]);
    let visit = order.operations[index].visit.clone();
    let entered = order
        .operations
        .iter()
        .any(|other| other.visit.is_some() && other.visit == visit && other.progress != Progress::Waiting);
    let had_pin = order.operations[index].pin.take().is_some();
    let mut had_bay = false;
    if !entered && let Some(visit) = order.visits.iter_mut().find(|other| Some(&other.id) == visit.as_ref()) {
        had_bay = visit.bay.take().is_some();
    }
    if had_pin || had_bay { Ok(()) } else { Err(Refused::forbidden(format!("{called} is not pinned"))) }
}
