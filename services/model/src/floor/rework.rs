//! What a failed check brings: the operations that its hold point names once more, and then the check again.

use std::collections::BTreeMap;

use crate::order::{HoldPoint, OrderFacts, OrderLink, OrderOperation, OrderVisit, Progress};

/// Inserts the rework of the failed check at `index`, which is done, and returns the ids of what was added, the new
/// check last.
///
/// What waited for the check waits for the new one, and what waited for an operation that is done again waits for it
/// once more. Rework in another bay than the check's makes the car leave the bay: what is left to be done there then
/// belongs to a visit of its own.
pub(super) fn insert(order: &mut OrderFacts, index: usize) -> Vec<String> {
    let check = order.operations[index].clone();
    let rework = check.hold_point.clone().unwrap_or_default().rework;
    let round = free_round(order, rework.iter().chain([&check.id]));
    let new_ids: BTreeMap<String, String> =
        rework.iter().chain([&check.id]).map(|id| (id.clone(), renamed(id, order, round))).collect();
    let visits = new_visits(order, &check, &rework, round);

    let mut added = Vec::new();
    for id in rework.iter().chain([&check.id]) {
        let Some(old) = order.operation(id).cloned() else { continue };
        let hold_point = old.hold_point.map(|hold| HoldPoint {
            rework: hold.rework.iter().map(|id| new_ids.get(id).unwrap_or(id).clone()).collect(),
            ..hold
        });
        added.push(OrderOperation {
            id: new_ids[id].clone(),
            display_name: again(&old.display_name, round),
            visit: old.visit.map(|visit| visits.get(&visit).cloned().unwrap_or(visit)),
            earliest_start_time: None,
            pin: None,
            hold_point,
            progress: Progress::Waiting,
            ..old
        });
    }
    relink(order, &check.id, &rework, &new_ids);
    let at = index + 1;
    let ids = added.iter().map(|operation| operation.id.clone()).collect();
    order.operations.splice(at..at, added);
    ids
}

/// Gives visits of their own to rework that is done in another bay than the check, and to what is left in the check's
/// bay then. Returns the new visits by the old ones.
fn new_visits(
    order: &mut OrderFacts,
    check: &OrderOperation,
    rework: &[String],
    round: usize,
) -> BTreeMap<String, String> {
    let of = |order: &OrderFacts, id: &String| order.operation(id).and_then(|operation| operation.visit.clone());
    let elsewhere: Vec<String> =
        rework.iter().filter_map(|id| of(order, id)).filter(|visit| Some(visit) != check.visit.as_ref()).collect();
    if elsewhere.is_empty() {
        return BTreeMap::new();
    }
    let mut visits = BTreeMap::new();
    for id in elsewhere.iter().chain(&check.visit) {
        let Some(old) = order.visits.iter().find(|visit| visit.id == *id).cloned() else { continue };
        if visits.contains_key(id) {
            continue;
        }
        let mut number = round;
        let taken = |number: usize| order.visits.iter().any(|visit| visit.id == numbered(id, number));
        while taken(number) {
            number += 1;
        }
        let new = numbered(id, number);
        order.visits.push(OrderVisit { id: new.clone(), bay: None, ..old });
        visits.insert(id.clone(), new);
    }
    for operation in &mut order.operations {
        if operation.progress == Progress::Waiting
            && let Some(new) = operation.visit.as_ref().and_then(|visit| visits.get(visit))
        {
            operation.visit = Some(new.clone());
        }
    }
    visits
}

fn relink(order: &mut OrderFacts, check: &str, rework: &[String], new_ids: &BTreeMap<String, String>) {
    let copied = |id: &str| rework.iter().any(|other| other == id) || id == check;
    let waits = |id: &str| {
        order.operations.iter().any(|operation| operation.id == id && operation.progress == Progress::Waiting)
    };
    let mut links = Vec::new();
    for link in &order.links {
        match (copied(&link.from), copied(&link.to)) {
            (true, true) if link.from != check => {
                links.push(link.clone());
                links.push(OrderLink {
                    from: new_ids[&link.from].clone(),
                    to: new_ids[&link.to].clone(),
                    ..link.clone()
                });
            }
            (true, false) if waits(&link.to) => {
                links.push(OrderLink { from: new_ids[&link.from].clone(), ..link.clone() });
            }
            _ => links.push(link.clone()),
        }
    }
    let recheck = &new_ids[check];
    let mut join = |from: &String, to: &String| {
        if from != to && !links.iter().any(|link| link.from == *from && link.to == *to) {
            links.push(OrderLink { from: from.clone(), to: to.clone(), min_wait_minutes: 0, max_wait_minutes: None });
        }
    };
    let check = check.to_owned();
    if rework.is_empty() {
        join(&check, recheck);
    }
    for id in rework {
        // Every one of them: what is joined twice over by way of another does no harm.
        join(&check, &new_ids[id]);
        join(&new_ids[id], recheck);
    }
    order.links = links;
}

/// Returns the first number from 2 on that makes new ids of all of these.
fn free_round<'i>(order: &OrderFacts, ids: impl Iterator<Item = &'i String> + Clone) -> usize {
    let free = |round: &usize| ids.clone().all(|id| order.operation(&renamed(id, order, *round)).is_none());
    (2..).find(free).expect("an order has finitely many operations")
}

/// Returns the id of an operation in another round: `pull-3` after `pull-2` and `pull`.
fn renamed(id: &str, order: &OrderFacts, round: usize) -> String {
    let base = id.rsplit_once('-').filter(|(base, number)| {
        !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit()) && order.operation(base).is_some()
    });
    numbered(base.map_or(id, |(base, _)| base), round)
}

/// Returns an id with a number, cut so that it stays an id.
fn numbered(id: &str, number: usize) -> String {
    let suffix = format!("-{number}");
    format!("{}{suffix}", id[..id.len().min(63 - suffix.len())].trim_end_matches('-'))
}

fn again(display_name: &str, round: usize) -> String {
    if display_name.is_empty() {
        return String::new();
    }
    let base = display_name.rsplit_once(", round ").map_or(display_name, |(base, _)| base);
    format!("{base}, round {round}")
}
