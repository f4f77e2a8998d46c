//! What makes a [`ProblemData`] a [`Problem`](crate::Problem).

use crate::fault::Faults;
use crate::keyed::{Key, KeyedVec, OperationId};
use crate::problem::{BayChoice, Commitment, Operation, ProblemData, SamePersonRule};
use crate::time::{Span, Time};

/// No weight, price or time in a problem is larger than this.
pub const LARGEST: i64 = 1 << 40;

/// No plan of a problem costs more than this: sums do not overflow, and JSON can hold every price (RFC 7493, 2.2).
pub const DEAREST: i64 = 1 << 53;

/// Returns everything that is wrong with `data`.
pub fn faults(data: &ProblemData) -> Faults {
    let mut faults = Faults::new();
    check_frame(data, &mut faults);
    check_resources(data, &mut faults);
    check_cars(data, &mut faults);
    for (id, operation) in data.operations.iter() {
        check_operation(data, id, operation, &mut faults);
    }
    check_links(data, &mut faults);
    if dearest(data) > i128::from(DEAREST) {
        faults.add("weights", "the dearest plan costs at most 2^53: weights, prices or times are too large together");
    }
    faults
}

/// Returns what no plan can cost more than: everything late to the horizon, left out, changed and worked in overtime.
fn dearest(data: &ProblemData) -> i128 {
    let minutes = |from: Time| i128::from(data.horizon.minutes()) - i128::from(from.minutes());
    let mut most = 0;
    for car in data.cars.values() {
        most += i128::from(car.flow_weight) * minutes(car.arrival).max(0) + i128::from(data.left_out_price);
        most += car.promise.map_or(0, |promise| i128::from(car.late_weight) * minutes(promise).max(0));
        if let Some(outside) = data.outside {
            most += i128::from(outside.weight) * minutes(data.now).max(0);
        }
    }
    for operation in data.operations.values() {
        most += i128::from(data.overtime_weight) * minutes(Time::ORIGIN) * operation.crew.len() as i128;
        if let Some(SamePersonRule::Preferred(price)) = operation.same_person.map(|wish| wish.rule) {
            most += i128::from(price);
        }
        if let Some(published) = &operation.published {
            most += i128::from(published.person_price) * published.technicians.len() as i128;
            most += i128::from(published.day_price);
        }
    }
    most + data.visits.values().filter_map(|visit| visit.published).map(|bay| i128::from(bay.price)).sum::<i128>()
}

fn check_frame(data: &ProblemData, faults: &mut Faults) {
    if data.grid < Span::from_minutes(1) {
        faults.add("grid", "the grid is at least one minute");
    }
    if data.horizon < data.now || data.horizon.minutes() > LARGEST {
        faults.add("horizon", "the horizon is after now and within 2^40 minutes");
    }
    if !data.days.is_sorted() || data.days.is_empty() {
        faults.add("days", "midnights ascend, and there is at least one");
    }
    for (what, weight) in [("overtime_weight", data.overtime_weight), ("left_out_price", data.left_out_price)] {
        check_weight(what, weight, faults);
    }
    for (index, changeover) in data.changeovers.iter().enumerate() {
        let known = data.families.contains(changeover.from) && data.families.contains(changeover.to);
        if !known || changeover.span < Span::ZERO {
            faults.add(format!("changeovers[{index}]"), "a changeover joins two known families and is not negative");
        }
    }
    if let Some(outside) = data.outside {
        check_weight("outside.weight", outside.weight, faults);
    }
}

fn check_weight(path: &str, weight: i64, faults: &mut Faults) {
    if !(0..=LARGEST).contains(&weight) {
        faults.add(path, "a weight is not negative and at most 2^40");
    }
}

fn check_resources(data: &ProblemData, faults: &mut Faults) {
    for (id, bay) in data.bays.iter() {
        let path = format!("bays[{}]", id.index());
        if bay.classes.is_empty() || bay.classes.iter().any(|class| !data.bay_classes.contains(*class)) {
            faults.add(format!("{path}.classes"), "a bay has one class or several, all known");
        }
        if !data.calendars.contains(bay.calendar) {
            faults.add(format!("{path}.calendar"), "no such calendar");
        }
    }
    for (id, equipment) in data.equipment.iter() {
        let path = format!("equipment[{}]", id.index());
        let mut steps: Vec<(Time, i64)> = Vec::new();
        for outage in &equipment.outages {
            let units = i64::from(outage.units);
            steps.extend([(outage.window.start(), units), (outage.window.end(), -units)]);
        }
        steps.sort_unstable();
        let mut out = 0;
        if steps.iter().any(|(_, units)| {
            out += units;
            out > i64::from(equipment.capacity)
        }) {
            faults.add(format!("{path}.outages"), "more pieces are out of service than there are");
        }
    }
    for (id, technician) in data.technicians.iter() {
        let path = format!("technicians[{}]", id.index());
        if !data.calendars.contains(technician.calendar) {
            faults.add(format!("{path}.calendar"), "no such calendar");
        }
        if technician.with_overtime.is_some_and(|calendar| !data.calendars.contains(calendar)) {
            faults.add(format!("{path}.with_overtime"), "no such calendar");
        }
        for (index, (skill, efficiency)) in technician.skills.iter().enumerate() {
            if !data.skills.contains(*skill) || technician.skills[..index].iter().any(|(other, _)| other == skill) {
                faults.add(format!("{path}.skills[{index}]"), "a skill is known and stands once");
            }
            if !(1..=1_000_000).contains(&efficiency.0) {
                faults.add(format!("{path}.skills[{index}]"), "an efficiency is between 0.001 and 1000");
            }
        }
    }
}

fn check_cars(data: &ProblemData, faults: &mut Faults) {
    let mut has_operation = vec![false; data.cars.len()];
    let mut visit_has_operation = vec![false; data.visits.len()];
    for operation in data.operations.values() {
        if let Some(has) = has_operation.get_mut(operation.car.index()) {
            *has = true;
        }
        if let Some(has) = operation.visit.and_then(|visit| visit_has_operation.get_mut(visit.index())) {
            *has = true;
        }
    }
    for (id, car) in data.cars.iter() {
        let path = format!("cars[{}]", id.index());
        check_weight(&format!("{path}.late_weight"), car.late_weight, faults);
        check_weight(&format!("{path}.flow_weight"), car.flow_weight, faults);
        if !has_operation[id.index()] {
            faults.add(path, "a car has an operation");
        }
    }
    for (id, visit) in data.visits.iter() {
        let path = format!("visits[{}]", id.index());
        if !data.cars.contains(visit.car) {
            faults.add(format!("{path}.car"), "no such car");
        }
        if !data.bay_classes.contains(visit.class) {
            faults.add(format!("{path}.class"), "no such bay class");
        }
        if visit.family.is_some_and(|family| !data.families.contains(family)) {
            faults.add(format!("{path}.family"), "no such family");
        }
        match visit.bay {
            BayChoice::Free => {}
            BayChoice::Pinned(bay) | BayChoice::Entered(bay) => {
                if !data.bays.contains(bay) {
                    faults.add(format!("{path}.bay"), "no such bay");
                }
            }
        }
        if visit.published.is_some_and(|published| !data.bays.contains(published.bay)) {
            faults.add(format!("{path}.published.bay"), "no such bay");
        }
        let has_started = |operation: &Operation| {
            operation.visit == Some(id) && matches!(operation.commitment, Commitment::Started { .. })
        };
        if !matches!(visit.bay, BayChoice::Entered(_)) && data.operations.values().any(has_started) {
            faults.add(format!("{path}.bay"), "a visit of which an operation has started has entered a bay");
        }
        if !visit_has_operation[id.index()] {
            faults.add(path, "a visit has an operation");
        }
    }
}

fn check_operation(data: &ProblemData, id: OperationId, operation: &Operation, faults: &mut Faults) {
    let path = format!("operations[{}]", id.index());
    let mut fault = |field: &str, message: &str| faults.add(format!("{path}.{field}"), message);
    if !data.cars.contains(operation.car) {
        fault("car", "no such car");
    }
    match operation.visit {
        Some(visit) if !data.visits.contains(visit) => fault("visit", "no such visit"),
        Some(visit) if data.visits[visit].car != operation.car => fault("visit", "the visit is another car's"),
        _ => {}
    }
    if operation.work < Span::ZERO || operation.work.minutes() > LARGEST {
        fault("work", "work is not negative and within 2^40 minutes");
    }
    if operation.work == Span::ZERO && !(operation.crew.is_empty() && operation.visit.is_none()) {
        fault("work", "only an operation without crew and visit (a milestone) has no work");
    }
    if operation.crew.iter().any(|skill| !data.skills.contains(*skill)) {
        fault("crew", "no such skill");
    }
    if operation.crew.is_empty() && operation.interruptible {
        fault("interruptible", "unattended work runs on the clock and is not interruptible");
    }
    for (index, (equipment, units)) in operation.equipment.iter().enumerate() {
        if !data.equipment.contains(*equipment) {
            fault("equipment", "no such equipment");
        } else if operation.equipment[..index].iter().any(|(other, _)| other == equipment) {
            fault("equipment", "a pool stands once");
        } else if *units == 0 {
            fault("equipment", "at least one piece");
        }
    }
    let people_known = |people: &[_]| people.iter().all(|person| data.technicians.contains(*person));
    match &operation.commitment {
        Commitment::Free => {}
        Commitment::Pinned { technicians, start } => {
            if technicians.as_ref().is_some_and(|people| !people_known(people) || people.len() != operation.crew.len())
            {
                fault("commitment", "a pinned crew has a known technician for each place");
            }
            if start.is_some_and(|start| start.ceil_to(data.grid) != start) {
                fault("commitment", "a pinned start is on the grid");
            }
        }
        Commitment::Started { start, end, technicians } => {
            if start > end || *start > data.now {
                fault("commitment", "what has started did so by now, and ends after its start");
            }
            if !people_known(technicians) {
                fault("commitment", "no such technician");
            }
        }
    }
    if let Some(wish) = operation.same_person {
        let earlier = data.operations.get(wish.operation);
        if earlier.is_none_or(|earlier| earlier.car != operation.car || wish.operation == id) {
            fault("same_person", "the other operation is another one of the same car");
        }
    }
    if operation.published.as_ref().is_some_and(|published| !people_known(&published.technicians)) {
        fault("published", "no such technician");
    }
}

fn check_links(data: &ProblemData, faults: &mut Faults) {
    let mut ways: KeyedVec<OperationId, Vec<OperationId>> = KeyedVec::filled(Vec::new(), data.operations.len());
    for (index, link) in data.links.iter().enumerate() {
        let path = format!("links[{index}]");
        let (Some(from), Some(to)) = (data.operations.get(link.from), data.operations.get(link.to)) else {
            faults.add(path, "a link joins two known operations");
            continue;
        };
        if from.car != to.car {
            faults.add(path.clone(), "a link stays within one car");
        }
        if link.max_wait.is_some_and(|max_wait| max_wait < link.min_wait) {
            faults.add(path, "the maximum wait is not shorter than the minimum");
        }
        ways[link.from].push(link.to);
    }
    if let Some(cycle) = find_cycle(&ways) {
        let names: Vec<&str> = cycle.iter().map(|&id| data.operations[id].name.as_str()).collect();
        faults.add("links", format!("these operations wait for one another: {}", names.join(" -> ")));
    }
    for (id, operation) in data.operations.iter() {
        if let Some(wish) = operation.same_person
            && data.operations.contains(wish.operation)
            && !reaches(&ways, wish.operation, id)
        {
            faults.add(
                format!("operations[{}].same_person", id.index()),
                "links lead from the earlier operation to this one",
            );
        }
    }
}

/// Returns the operations of a cycle, first and last the same, if there is one.
fn find_cycle(ways: &KeyedVec<OperationId, Vec<OperationId>>) -> Option<Vec<OperationId>> {
    let mut open = vec![0usize; ways.len()];
    for targets in ways.values() {
        for target in targets {
            open[target.index()] += 1;
        }
    }
    let mut ready: Vec<OperationId> = ways.keys().filter(|id| open[id.index()] == 0).collect();
    while let Some(id) = ready.pop() {
        for target in &ways[id] {
            open[target.index()] -= 1;
            if open[target.index()] == 0 {
                ready.push(*target);
            }
        }
    }
    // What is left lies on a cycle or after one; going backwards over what is left must repeat itself.
    let left = |id: OperationId| open[id.index()] > 0;
    let mut walk = vec![ways.keys().find(|&id| left(id))?];
    loop {
        let last = *walk.last().expect("starts with one");
        let before = ways.keys().find(|&id| left(id) && ways[id].contains(&last)).expect("each has one before it");
        if let Some(position) = walk.iter().position(|&id| id == before) {
            let mut cycle = walk.split_off(position);
            cycle.push(before);
            cycle.reverse();
            return Some(cycle);
        }
        walk.push(before);
    }
}

fn reaches(ways: &KeyedVec<OperationId, Vec<OperationId>>, from: OperationId, to: OperationId) -> bool {
    let mut seen = vec![false; ways.len()];
    let mut stack = vec![from];
    while let Some(id) = stack.pop() {
        if id == to {
            return true;
        }
        if !std::mem::replace(&mut seen[id.index()], true) {
            stack.extend(&ways[id]);
        }
    }
    false
}
