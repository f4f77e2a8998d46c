//! When planned work may start and must end: now, readiness, the grid, the horizon.

use super::{Inspection, Rule};
use crate::problem::ReadyReason;

pub(super) fn check(inspection: &mut Inspection) {
    let problem = inspection.problem;
    for (id, assignment) in inspection.planned() {
        let (name, start) = (inspection.operation(id), inspection.at(assignment.start));
        if assignment.start < problem.now {
            let (early, now) = ((problem.now - assignment.start).minutes(), inspection.at(problem.now));
            let message = format!("{name} starts at {start}, {early} minutes before now, {now}");
            inspection.report(Rule::StartsBeforeNow, message);
        }
        for ready in problem.operations[id].ready.iter().filter(|ready| assignment.start < ready.time) {
            let (early, time) = ((ready.time - assignment.start).minutes(), inspection.at(ready.time));
            let reason = match &ready.reason {
                ReadyReason::Arrival => "the arrival of the car".to_string(),
                ReadyReason::Part(part) => format!("the part \"{part}\" is expected"),
                ReadyReason::Approval(approval) => format!("the approval \"{approval}\" is expected"),
                ReadyReason::NotBefore => "its earliest start".to_string(),
            };
            let message = format!("{name} starts at {start}, {early} minutes before {reason} at {time}");
            inspection.report(Rule::StartsBeforeReady, message);
        }
        if assignment.start.minutes() % problem.grid.minutes() != 0 {
            let message = format!("{name} starts at {start}, off the grid of {} minutes", problem.grid.minutes());
            inspection.report(Rule::OffGrid, message);
        }
        if assignment.end > problem.horizon {
            let late = (assignment.end - problem.horizon).minutes();
            let message = format!("{name} ends at {}, {late} minutes after the horizon", inspection.at(assignment.end));
            inspection.report(Rule::EndsAfterHorizon, message);
        }
    }
}
