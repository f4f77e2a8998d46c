//! What is settled stays: facts, pinned people, starts and bays, entered bays.

use super::{Inspection, Rule};
use crate::keyed::TechnicianId;
use crate::problem::{BayChoice, Commitment};

pub(super) fn check(inspection: &mut Inspection) {
    started(inspection);
    pinned(inspection);
    bays(inspection);
}

fn started(inspection: &mut Inspection) {
    for (id, operation) in inspection.problem.operations.iter() {
        let Commitment::Started { start, end, technicians } = &operation.commitment else { continue };
        let name = inspection.operation(id);
        let Some(assignment) = &inspection.plan.operations[id] else {
            let message = format!("{name} has started at {} and is not in the plan", inspection.at(*start));
            inspection.report(Rule::StartedAltered, message);
            continue;
        };
        for (what, fact, plan) in [("starts", *start, assignment.start), ("ends", *end, assignment.end)] {
            if plan != fact {
                let (plan, fact) = (inspection.at(plan), inspection.at(fact));
                inspection.report(Rule::StartedAltered, format!("{name} {what} at {plan}, in fact at {fact}"));
            }
        }
        if assignment.technicians != *technicians {
            let (plan, fact) = (names(inspection, &assignment.technicians), names(inspection, technicians));
            inspection.report(Rule::StartedAltered, format!("{name} is done by {plan}, in fact by {fact}"));
        }
        if assignment.overtime {
            inspection.report(Rule::StartedAltered, format!("{name} is a fact and claims overtime"));
        }
    }
}

fn pinned(inspection: &mut Inspection) {
    for (id, assignment) in inspection.planned() {
        let Commitment::Pinned { technicians, start } = &inspection.problem.operations[id].commitment else { continue };
        let name = inspection.operation(id);
        if let Some(pinned) = technicians.as_ref().filter(|pinned| **pinned != assignment.technicians) {
            let (plan, pinned) = (names(inspection, &assignment.technicians), names(inspection, pinned));
            inspection.report(Rule::PinnedCrew, format!("{name} is done by {plan}, pinned to {pinned}"));
        }
        if let Some(pinned) = start.filter(|&pinned| pinned != assignment.start) {
            let (plan, pinned) = (inspection.at(assignment.start), inspection.at(pinned));
            inspection.report(Rule::PinnedStart, format!("{name} starts at {plan}, pinned to {pinned}"));
        }
    }
}

fn bays(inspection: &mut Inspection) {
    for (id, visit) in inspection.problem.visits.iter() {
        let planned = inspection.plan.bays[id];
        let (rule, verb, bay) = match visit.bay {
            BayChoice::Free => continue,
            // A car that is left out has no bay, and one that is in the plan and lacks a bay is told so elsewhere.
            BayChoice::Pinned(_) if planned.is_none() => continue,
            BayChoice::Pinned(bay) => (Rule::PinnedBay, "is pinned to", bay),
            BayChoice::Entered(bay) => (Rule::EnteredBay, "stands in", bay),
        };
        if planned != Some(bay) {
            let (visit, bay) = (inspection.visit(id), inspection.bay(bay));
            let planned = inspection.bay_of(id).map_or("no known bay".to_string(), |bay| inspection.bay(bay));
            inspection.report(rule, format!("{visit} {verb} {bay} and is planned in {planned}"));
        }
    }
}

fn names(inspection: &Inspection, technicians: &[TechnicianId]) -> String {
    if technicians.is_empty() {
        return "nobody".to_string();
    }
    let technicians = technicians.iter().map(|&id| match inspection.problem.technicians.get(id) {
        Some(_) => inspection.technician(id),
        None => "an unknown technician".to_string(),
    });
    technicians.collect::<Vec<_>>().join(" and ")
}
