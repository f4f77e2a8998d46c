//! Cameras and radars are aimed last: after the alignment, on a car that stands as it will drive.

use super::{Case, Findings, names};
use crate::book::Activity;

const SOURCE: &str =
    "common practice, no source; what has to be calibrated is in the vehicle maker's position statements";

/// Refuses aiming before the alignment or before the glass holds.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let aims = case.left_to_do(Activity::Calibrate);
    for (index, aim) in &aims {
        for activity in [Activity::Align, Activity::HoldGlass] {
            for (before, operation) in case.doing(activity) {
                if !case.is_before(before, *index) {
                    let message = format!("{:?} may come before the end of {:?}", aim.id, operation.id);
                    found.refuse(*index, "id", message, SOURCE);
                }
            }
        }
    }
    if !aims.is_empty() {
        let message = "calibrate on a level clear floor, fuel and tyres as the maker says, the car empty; nobody walks \
                       through";
        found.warn("calibration", names(&aims), message, SOURCE);
    }
}
