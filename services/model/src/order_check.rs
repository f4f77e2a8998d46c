//! What makes the facts of an order hold together and fit its shop.

use std::collections::{HashMap, HashSet};

use crate::fault::Faults;
use crate::order::{HoldPoint, Need, OrderFacts, OrderOperation, Progress};
use crate::shop::Shop;
use crate::shop_check::{MOST, check_id, check_ids, check_name, check_size};

/// Attended work of one operation is at most so many minutes.
pub const LONGEST_WORK: u32 = 200 * 60;
/// Unattended operations and waits are at most so many minutes.
pub const LONGEST_WAIT: u32 = 60 * 1440;

/// Returns everything that is wrong with `facts`, and why they do not fit `shop`.
pub fn faults(facts: &OrderFacts, shop: &Shop) -> Faults {
    let mut faults = Faults::new();
    check_sizes(&mut faults, facts);
    if !faults.is_empty() {
        return faults;
    }
    check_name(&mut faults, "vehicle", &facts.vehicle, true);
    check_name(&mut faults, "note", &facts.note, false);
    if let Some(promise) = facts.promise_time
        && promise < facts.arrival_time
    {
        faults.add("promise_time", format!("{promise} is before the arrival at {}", facts.arrival_time));
    }
    for (path, weight) in [("late_weight", facts.late_weight), ("flow_weight", facts.flow_weight)] {
        if weight.is_some_and(|weight| weight > 1_000_000) {
            faults.add(path, "at most 1000000");
        }
    }
    check_ids(&mut faults, "visits", ".id", facts.visits.iter().map(|visit| visit.id.as_str()));
    check_ids(&mut faults, "operations", ".id", facts.operations.iter().map(|operation| operation.id.as_str()));
    check_needs(&mut faults, facts);
    check_visits(&mut faults, facts, shop);
    if facts.operations.is_empty() {
        faults.add("operations", "an order has at least one operation");
    }
    for (index, operation) in facts.operations.iter().enumerate() {
        check_operation(&mut faults, &format!("operations[{index}]"), operation, facts, shop);
    }
    check_links(&mut faults, facts);
    faults
}

fn check_sizes(faults: &mut Faults, facts: &OrderFacts) {
    let lists = [
        ("visits", facts.visits.len()),
        ("operations", facts.operations.len()),
        ("parts", facts.parts.len()),
        ("approvals", facts.approvals.len()),
    ];
    if lists.into_iter().fold(false, |any, (path, count)| check_size(faults, path, count) || any) {
        return;
    }
    for (index, operation) in facts.operations.iter().enumerate() {
        let on_it = match &operation.progress {
            Progress::Waiting => 0,
            Progress::Running { technicians, .. }
            | Progress::Paused { technicians, .. }
            | Progress::Done { technicians, .. } => technicians.len(),
        };
        let lists = [
            ("crew", operation.crew.len()),
            ("equipment", operation.equipment.len()),
            ("needs", operation.needs.len()),
            ("hazards", operation.hazards.len()),
            ("pin.technicians", operation.pin.as_ref().map_or(0, |pin| pin.technicians.len())),
            ("hold_point.rework", operation.hold_point.as_ref().map_or(0, |hold| hold.rework.len())),
            ("progress.technicians", on_it),
        ];
        for (field, count) in lists {
            check_size(faults, format!("operations[{index}].{field}"), count);
        }
    }
}

fn check_needs(faults: &mut Faults, facts: &OrderFacts) {
    let check = |faults: &mut Faults, list: &str, needs: &[Need], others: &[Need]| {
        check_ids(faults, list, ".id", needs.iter().map(|need| need.id.as_str()));
        for (index, need) in needs.iter().enumerate() {
            let path = format!("{list}[{index}]");
            check_name(faults, &format!("{path}.display_name"), &need.display_name, false);
            if others.iter().any(|other| other.id == need.id) {
                faults.add(format!("{path}.id"), format!("{:?} is the id of a part already", need.id));
            }
            if let Some(percent) = need.supply.and_then(|supply| supply.confidence_percent)
                && !(1..=100).contains(&percent)
            {
                faults.add(format!("{path}.confidence_percent"), format!("{percent}; 1 to 100"));
            }
            if !need.met && need.expected_time.is_none() {
                let message = format!("say when {:?} is expected, as well as you can, or that it is there", need.id);
                faults.add(format!("{path}.expected_time"), message);
            }
        }
    };
    check(faults, "parts", &facts.parts, &[]);
    check(faults, "approvals", &facts.approvals, &facts.parts);
}

fn check_visits(faults: &mut Faults, facts: &OrderFacts, shop: &Shop) {
    for (index, visit) in facts.visits.iter().enumerate() {
        let path = format!("visits[{index}]");
        if !shop.bays.iter().any(|bay| bay.classes.contains(&visit.bay_class)) {
            let mut classes: Vec<&str> = shop.bays.iter().flat_map(|bay| &bay.classes).map(String::as_str).collect();
            classes.sort_unstable();
            classes.dedup();
            let message = format!("no bay is of class {:?}; there are: {}", visit.bay_class, classes.join(", "));
            faults.add(format!("{path}.bay_class"), message);
        }
        if let Some(family) = &visit.family {
            check_id(faults, &format!("{path}.family"), family);
        }
        let operations = || facts.operations.iter().filter(|operation| operation.visit.as_ref() == Some(&visit.id));
        if operations().next().is_none() {
            faults.add(path.clone(), format!("visit {:?} has no operation; give it one or take it out", visit.id));
        }
        let started = operations().any(|operation| operation.progress != Progress::Waiting);
        match visit.bay.as_ref().map(|id| (id, shop.bays.iter().find(|bay| bay.id == *id))) {
            None if started => {
                let message = format!("an operation of visit {:?} has started; say in which bay", visit.id);
                faults.add(format!("{path}.bay"), message);
            }
            Some((id, None)) => {
                let known: Vec<&str> = shop.bays.iter().map(|bay| bay.id.as_str()).collect();
                faults.add(format!("{path}.bay"), format!("no bay {id:?}; there are: {}", known.join(", ")));
            }
            Some((id, Some(bay))) if !started && !bay.classes.contains(&visit.bay_class) => {
                let message = format!("bay {id:?} is not of class {:?}", visit.bay_class);
                faults.add(format!("{path}.bay"), message);
            }
            _ => {}
        }
    }
}

fn check_operation(faults: &mut Faults, path: &str, operation: &OrderOperation, facts: &OrderFacts, shop: &Shop) {
    check_name(faults, &format!("{path}.display_name"), &operation.display_name, false);
    let attended = !operation.crew.is_empty();
    let longest = if attended { LONGEST_WORK } else { LONGEST_WAIT };
    if operation.work_minutes > longest {
        let message = format!("{} minutes; at most {longest}", operation.work_minutes);
        faults.add(format!("{path}.work"), message);
    }
    if operation.work_minutes == 0 && (attended || operation.visit.is_some()) {
        faults.add(format!("{path}.work"), "is missing; only a milestone without crew and visit takes no time");
    }
    check_spread(faults, path, operation);
    if operation.interruptible && !attended {
        let message = "unattended work runs on the clock and does not stop; leave it out, or name a crew";
        faults.add(format!("{path}.interruptible"), message);
    }
    if operation.crew.len() > 4 {
        faults.add(format!("{path}.crew"), format!("{} people; at most 4", operation.crew.len()));
    }
    let mut crew_known = true;
    for (index, skill) in operation.crew.iter().enumerate() {
        if !shop.skills.contains(skill) {
            let message = format!("no skill {skill:?}; there are: {}", shop.skills.join(", "));
            faults.add(format!("{path}.crew[{index}]"), message);
            crew_known = false;
        }
    }
    if crew_known && attended && operation.crew.len() <= 4 {
        check_crew(faults, path, operation, shop);
    }
    if let Some(visit) = &operation.visit
        && !facts.visits.iter().any(|other| other.id == *visit)
    {
        faults.add(format!("{path}.visit"), format!("no visit {visit:?} in this order"));
    }
    let mut pools = HashSet::new();
    for (index, need) in operation.equipment.iter().enumerate() {
        let path = format!("{path}.equipment[{index}]");
        match shop.equipment.iter().find(|equipment| equipment.id == need.equipment) {
            None => {
                let known: Vec<&str> = shop.equipment.iter().map(|equipment| equipment.id.as_str()).collect();
                let message = format!("no equipment {:?}; there are: {}", need.equipment, known.join(", "));
                faults.add(format!("{path}.equipment"), message);
            }
            Some(equipment) if need.count > equipment.count || need.count == 0 => {
                faults
                    .add(format!("{path}.count"), format!("{} of {} {:?}", need.count, equipment.count, equipment.id));
            }
            Some(_) => {}
        }
        if !pools.insert(&need.equipment) {
            faults.add(format!("{path}.equipment"), format!("{:?} stands there twice", need.equipment));
        }
    }
    for (index, need) in operation.needs.iter().enumerate() {
        let known = facts.parts.iter().chain(&facts.approvals).any(|other| other.id == *need);
        if !known {
            faults.add(format!("{path}.needs[{index}]"), format!("no part or approval {need:?} in this order"));
        }
        if operation.needs[..index].contains(need) {
            faults.add(format!("{path}.needs[{index}]"), format!("{need:?} stands there twice"));
        }
    }
    if let Some(wish) = &operation.same_person {
        let field = format!("{path}.same_person.operation");
        if facts.operation(&wish.operation).is_none() {
            faults.add(field, format!("no operation {:?} in this order", wish.operation));
        } else if wish.operation == operation.id || !leads_to(facts, &wish.operation, &operation.id) {
            let message = format!("links must lead from {:?} to {:?}", wish.operation, operation.id);
            faults.add(field, message);
        }
    }
    if let Some(pin) = &operation.pin {
        let path = format!("{path}.pin.technicians");
        if !pin.technicians.is_empty() && pin.technicians.len() != operation.crew.len() {
            let message = format!("{} people for a crew of {}", pin.technicians.len(), operation.crew.len());
            faults.add(path.clone(), message);
        }
        check_people(faults, &path, &pin.technicians, shop);
        for (index, (id, skill)) in pin.technicians.iter().zip(&operation.crew).enumerate() {
            let person = shop.technicians.iter().find(|technician| technician.id == *id);
            if person.is_some_and(|person| !person.skills.iter().any(|own| own.skill == *skill)) {
                faults.add(format!("{path}[{index}]"), format!("{id:?} does not have skill {skill:?}"));
            }
        }
    }
    let mut hazards = HashSet::new();
    if operation.hazards.iter().any(|hazard| !hazards.insert(hazard)) {
        faults.add(format!("{path}.hazards"), "a hazard stands there twice");
    }
    if let Some(hold_point) = &operation.hold_point {
        check_hold_point(faults, &format!("{path}.hold_point"), operation, hold_point, facts);
    }
    check_progress(faults, &format!("{path}.progress"), operation, shop);
}

/// Low, likely and high are in this order; what is booked is the likely one.
fn check_spread(faults: &mut Faults, path: &str, operation: &OrderOperation) {
    let booked = operation.work_minutes;
    for (field, minutes) in [("low_work", operation.low_work_minutes), ("high_work", operation.high_work_minutes)] {
        let Some(minutes) = minutes else { continue };
        let field = format!("{path}.{field}");
        if operation.crew.is_empty() {
            faults.add(field, "unattended work takes the time that it takes; leave it out, or name a crew");
        } else if minutes == 0 {
            faults.add(field, "0 minutes; at least 1");
        } else if minutes > LONGEST_WORK {
            faults.add(field, format!("{minutes} minutes; at most {LONGEST_WORK}"));
        } else if field.ends_with("low_work") && minutes > booked {
            faults.add(
                field,
                format!("{minutes} minutes; at most the {booked} that are booked, which are the likely ones"),
            );
        } else if field.ends_with("high_work") && minutes < booked {
            faults.add(
                field,
                format!("{minutes} minutes; at least the {booked} that are booked, which are the likely ones"),
            );
        }
    }
}

fn check_hold_point(
    faults: &mut Faults,
    path: &str,
    operation: &OrderOperation,
    hold_point: &HoldPoint,
    facts: &OrderFacts,
) {
    check_name(faults, &format!("{path}.measure"), &hold_point.measure, false);
    if operation.crew.is_empty() {
        faults.add(path.to_owned(), "somebody has to check it: name a crew");
    }
    for (index, id) in hold_point.rework.iter().enumerate() {
        let path = format!("{path}.rework[{index}]");
        if facts.operation(id).is_none() {
            faults.add(path, format!("no operation {id:?} in this order"));
        } else if *id == operation.id || !leads_to(facts, id, &operation.id) {
            faults.add(path, format!("links must lead from {id:?} to {:?}", operation.id));
        } else if hold_point.rework[..index].contains(id) {
            faults.add(path, format!("{id:?} stands there twice"));
        }
    }
}

fn check_people(faults: &mut Faults, path: &str, people: &[String], shop: &Shop) {
    for (index, id) in people.iter().enumerate() {
        if !shop.technicians.iter().any(|technician| technician.id == *id) {
            let known: Vec<&str> = shop.technicians.iter().map(|technician| technician.id.as_str()).collect();
            faults.add(format!("{path}[{index}]"), format!("no technician {id:?}; there are: {}", known.join(", ")));
        }
        if people[..index].contains(id) {
            faults.add(format!("{path}[{index}]"), format!("{id:?} stands there twice"));
        }
    }
}

fn check_progress(faults: &mut Faults, path: &str, operation: &OrderOperation, shop: &Shop) {
    match &operation.progress {
        Progress::Waiting => {}
        Progress::Running { technicians, remaining_minutes, .. }
        | Progress::Paused { technicians, remaining_minutes, .. } => {
            check_people(faults, &format!("{path}.technicians"), technicians, shop);
            if *remaining_minutes > LONGEST_WAIT {
                faults.add(
                    format!("{path}.remaining_work"),
                    format!("{remaining_minutes} minutes; at most {LONGEST_WAIT}"),
                );
            }
            if technicians.is_empty() != operation.crew.is_empty() {
                faults.add(format!("{path}.technicians"), "say who is on it; for unattended work, nobody");
            }
        }
        Progress::Done { start_time, end_time, technicians } => {
            check_people(faults, &format!("{path}.technicians"), technicians, shop);
            if start_time > end_time {
                faults.add(format!("{path}.end_time"), format!("{end_time} is before the start at {start_time}"));
            }
        }
    }
}

/// Notes an operation that nobody can ever do: no distinct people with the skills, or, if it must not stop, none who
/// are ever there long enough together.
fn check_crew(faults: &mut Faults, path: &str, operation: &OrderOperation, shop: &Shop) {
    let mut longest_together = None;
    let mut crew = Vec::new();
    each_crew(operation, shop, &mut crew, &mut |crew| {
        let needed = crew.iter().map(|(person, percent)| (person, minutes_at(operation.work_minutes, *percent)));
        let needed = needed.map(|(_, minutes)| minutes).max().unwrap_or(0);
        let people: Vec<usize> = crew.iter().map(|(person, _)| *person).collect();
        let spare = i64::from(crate::crew_time::longest_window(shop, &people)) - i64::from(needed);
        longest_together = longest_together.max(Some(spare));
        operation.interruptible || spare >= 0
    });
    match longest_together {
        None => {
            let message = format!("no {} with skills {}", people(operation.crew.len()), operation.crew.join(" and "));
            faults.add(format!("{path}.crew"), format!("{message}; add the skill to a technician, or change the crew"));
        }
        Some(spare) if !operation.interruptible && spare < 0 => {
            let message = format!(
                "must not stop, and is {} minutes longer than anybody with skills {} is ever there at a stretch; let it \
                 stop overnight, split it, or lengthen a shift",
                -spare,
                operation.crew.join(" and ")
            );
            faults.add(format!("{path}.work"), message);
        }
        Some(_) => {}
    }
}

fn people(count: usize) -> String {
    if count == 1 { "technician".into() } else { format!("{count} different technicians") }
}

fn minutes_at(work_minutes: u32, percent: u32) -> u32 {
    (u64::from(work_minutes) * 100).div_ceil(u64::from(percent.max(1))) as u32
}

/// Calls `found` with every crew of distinct people (index, percent) until it answers that it has seen enough.
fn each_crew(
    operation: &OrderOperation,
    shop: &Shop,
    crew: &mut Vec<(usize, u32)>,
    found: &mut impl FnMut(&[(usize, u32)]) -> bool,
) -> bool {
    let Some(skill) = operation.crew.get(crew.len()) else { return found(crew) };
    for (index, technician) in shop.technicians.iter().enumerate() {
        let Some(own) = technician.skills.iter().find(|own| own.skill == *skill) else { continue };
        if crew.iter().any(|(other, _)| *other == index) {
            continue;
        }
        crew.push((index, own.efficiency_percent));
        if each_crew(operation, shop, crew, found) {
            return true;
        }
        crew.pop();
    }
    false
}

fn check_links(faults: &mut Faults, facts: &OrderFacts) {
    if facts.links.len() > 4 * MOST {
        faults.add("links", format!("{} links; at most {}", facts.links.len(), 4 * MOST));
        return;
    }
    let mut pairs = HashSet::new();
    for (index, link) in facts.links.iter().enumerate() {
        let path = format!("links[{index}]");
        for (field, id) in [("from", &link.from), ("to", &link.to)] {
            if facts.operation(id).is_none() {
                faults.add(format!("{path}.{field}"), format!("no operation {id:?} in this order"));
            }
        }
        if !pairs.insert((&link.from, &link.to)) {
            faults.add(path.clone(), format!("{:?} is linked to {:?} already", link.from, link.to));
        }
        if link.min_wait_minutes > LONGEST_WAIT || link.max_wait_minutes.is_some_and(|wait| wait > LONGEST_WAIT) {
            faults.add(path.clone(), format!("a wait is at most {LONGEST_WAIT} minutes"));
        }
        if let Some(longest) = link.max_wait_minutes
            && longest < link.min_wait_minutes
        {
            let message = format!("{longest} minutes, shorter than the shortest wait, {}", link.min_wait_minutes);
            faults.add(format!("{path}.max_wait"), message);
        }
    }
    if let Some(cycle) = cycle(facts) {
        faults.add("links", format!("these operations wait for one another: {}", cycle.join(" -> ")));
    }
}

fn leads_to(facts: &OrderFacts, from: &str, to: &str) -> bool {
    let after = after(facts);
    let mut seen = HashSet::new();
    let mut stack = vec![from];
    while let Some(id) = stack.pop() {
        if id == to {
            return true;
        }
        if seen.insert(id) {
            stack.extend(after.get(id).into_iter().flatten());
        }
    }
    false
}

/// Returns what is linked to come right after each operation.
fn after(facts: &OrderFacts) -> HashMap<&str, Vec<&str>> {
    let mut after: HashMap<&str, Vec<&str>> = HashMap::new();
    for link in &facts.links {
        after.entry(&link.from).or_default().push(&link.to);
    }
    after
}

/// Returns the ids along a cycle of links, the first again at the end, if there is one.
fn cycle(facts: &OrderFacts) -> Option<Vec<&str>> {
    let after = after(facts);
    let mut done: HashSet<&str> = HashSet::new();
    for operation in &facts.operations {
        // Each entry of the walk is an operation and how many of its successors were followed.
        let mut walk: Vec<(&str, usize)> = vec![(&operation.id, 0)];
        while let Some((id, followed)) = walk.last_mut() {
            let next = after.get(id).and_then(|targets| targets.get(*followed)).copied();
            *followed += 1;
            match next {
                _ if done.contains(*id) => {
                    walk.pop();
                }
                None => {
                    done.insert(id);
                    walk.pop();
                }
                Some(next) => {
                    if let Some(start) = walk.iter().position(|(id, _)| *id == next) {
                        let ids = walk[start..].iter().map(|(id, _)| *id);
                        return Some(ids.chain([next]).collect());
                    }
                    walk.push((next, 0));
                }
            }
        }
    }
    None
}
