//! How much of a plan the next one keeps.

use jiff::tz::TimeZone;

use crate::timetable::{OperationState, OperationTimetable, Timetable};

/// Returns `(kept, all)`: of the operations that both plans still have ahead, those that keep their day, people and bay.
pub fn stability(before: &Timetable, after: &Timetable, zone: &TimeZone) -> (usize, usize) {
    let (mut kept, mut all) = (0, 0);
    for order in &after.orders {
        let Some(earlier) = before.orders.iter().find(|other| other.order == order.order) else { continue };
        for operation in order.operations.iter().filter(|operation| operation.state == OperationState::Planned) {
            let same = |other: &&OperationTimetable| other.operation == operation.operation;
            let Some(other) = earlier.operations.iter().find(same) else { continue };
            let day = |one: &OperationTimetable| zone.to_datetime(one.start_time).date();
            let is_kept = day(other) == day(operation)
                && other.technicians == operation.technicians
                && other.bay == operation.bay;
            (kept, all) = (kept + usize::from(is_kept), all + 1);
        }
    }
    (kept, all)
}
