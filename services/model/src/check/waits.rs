//! Links: shortest and longest waits between operations.

use super::{Inspection, Rule};

pub(super) fn check(inspection: &mut Inspection) {
    for link in &inspection.problem.links {
        let (Some(before), Some(after)) =
            (&inspection.plan.operations[link.from], &inspection.plan.operations[link.to])
        else {
            continue;
        };
        if inspection.is_fact(link.to) {
            continue;
        }
        let wait = (after.start - before.end).minutes();
        let what = format!(
            "{} starts at {}, {wait} minutes after the end of {} at {}",
            inspection.operation(link.to),
            inspection.at(after.start),
            inspection.operation(link.from),
            inspection.at(before.end),
        );
        let shortest = link.min_wait.minutes();
        if wait < shortest {
            inspection.report(Rule::MinWait, format!("{what}, and may not before {shortest} minutes"));
        }
        if let Some(longest) = link.max_wait.map(|longest| longest.minutes()).filter(|&longest| wait > longest) {
            inspection.report(Rule::MaxWait, format!("{what}, and must within {longest} minutes"));
        }
    }
}
