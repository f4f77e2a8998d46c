//! Whether the plan is about this problem, and about whole cars.

use super::{Inspection, Rule};
use crate::keyed::Key;

pub(super) fn check(inspection: &mut Inspection) {
    let (problem, plan) = (inspection.problem, inspection.plan);
    for (what, planned, asked) in [
        ("operations", plan.operations.len(), problem.operations.len()),
        ("visits", plan.bays.len(), problem.visits.len()),
    ] {
        if planned != asked {
            inspection.report(Rule::Shape, format!("the plan has {planned} {what}, the problem {asked}"));
        }
    }
    if !inspection.found.is_empty() {
        return;
    }
    for (id, assignment) in inspection.assigned() {
        for &technician in &assignment.technicians {
            if !problem.technicians.contains(technician) {
                let operation = inspection.operation(id);
                let message = format!("{operation} has technician number {}, who does not exist", technician.index());
                inspection.report(Rule::Unknown, message);
            }
        }
    }
    for (id, bay) in plan.bays.iter() {
        if let Some(bay) = bay.filter(|&bay| !problem.bays.contains(bay)) {
            let visit = inspection.visit(id);
            let message = format!("{visit} has bay number {}, which does not exist", bay.index());
            inspection.report(Rule::Unknown, message);
        }
    }
    for (id, car) in problem.cars.iter() {
        let open: Vec<_> = problem.operations_of(id).iter().copied().filter(|&id| !inspection.is_fact(id)).collect();
        let (planned, missing): (Vec<_>, Vec<_>) = open.into_iter().partition(|&id| plan.operations[id].is_some());
        if let ([first, ..], [lacking, ..]) = (planned.as_slice(), missing.as_slice()) {
            let message = format!(
                "car \"{}\" is planned in part: {} is in the plan and {} is not ({} of {} are)",
                car.name,
                inspection.operation(*first),
                inspection.operation(*lacking),
                planned.len(),
                planned.len() + missing.len(),
            );
            inspection.report(Rule::PartOfCar, message);
        }
    }
}
