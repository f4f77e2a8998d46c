//! Unattended operations begin and end by themselves: nobody clocks a bake.

use jiff::{SignedDuration, Timestamp};

use crate::order::{OrderFacts, Progress};

/// Brings the unattended operations of `order` to where they are at `at`: each begins when everything before it is done
/// and its car stands where it is done, and ends after its time.
pub fn settle(order: &mut OrderFacts, at: Timestamp) {
    // Each turn of the loop lets at least one operation begin or end.
    while let Some((index, progress)) =
        (0..order.operations.len()).find_map(|index| Some((index, next(order, index, at)?)))
    {
        order.operations[index].progress = progress;
    }
}

fn next(order: &OrderFacts, index: usize, at: Timestamp) -> Option<Progress> {
    let operation = &order.operations[index];
    if !operation.crew.is_empty() || operation.hold_point.is_some() {
        return None;
    }
    match &operation.progress {
        Progress::Running { start_time, remaining_minutes, remaining_time: Some(since), .. } => {
            let end_time = minutes_after(*since, *remaining_minutes)?;
            (end_time <= at).then(|| Progress::Done { start_time: *start_time, end_time, technicians: Vec::new() })
        }
        Progress::Waiting => {
            let start_time = begins(order, index)?;
            (start_time <= at).then(|| Progress::Running {
                start_time,
                technicians: Vec::new(),
                remaining_minutes: operation.work_minutes,
                remaining_time: Some(start_time),
            })
        }
        _ => None,
    }
}

/// Returns when a waiting operation began by itself, if all that it waits for is there.
fn begins(order: &OrderFacts, index: usize) -> Option<Timestamp> {
    let operation = &order.operations[index];
    let met = |id: &String| order.parts.iter().chain(&order.approvals).any(|need| need.id == *id && need.met);
    let entered = operation.visit.as_ref().is_none_or(|visit| {
        order.operations.iter().any(|other| other.visit.as_ref() == Some(visit) && other.progress != Progress::Waiting)
    });
    let pinned = operation.pin.as_ref().is_some_and(|pin| pin.start_time.is_some());
    if !entered || pinned || operation.earliest_start_time.is_some() || !operation.needs.iter().all(met) {
        return None;
    }
    let mut start = None;
    for link in order.links.iter().filter(|link| link.to == operation.id) {
        let Progress::Done { end_time, .. } = &order.operation(&link.from)?.progress else { return None };
        start = start.max(Some(minutes_after(*end_time, link.min_wait_minutes)?));
    }
    start
}

pub(super) fn minutes_after(time: Timestamp, minutes: u32) -> Option<Timestamp> {
    time.checked_add(SignedDuration::from_mins(minutes.into())).ok()
}
