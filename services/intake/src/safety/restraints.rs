//! The restraint system is powered down, and its wait is over, before anybody unplugs or works beside it.

use super::{Case, Findings};
use crate::book::Activity;

const SOURCE: &str = "maker service precautions: published waits run from 10 seconds to 30 minutes";

/// Refuses work on restraints without a power-down before it, and one that is too short.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let downs = case.doing(Activity::PowerDownRestraints);
    for (index, work) in case.left_to_do(Activity::WorkOnRestraints) {
        if !downs.iter().any(|(down, _)| case.is_before(*down, index)) {
            let message = format!("{:?} works beside airbags or belts before they are powered down", work.id);
            found.refuse(index, "id", message, SOURCE);
        }
    }
    let needed = case.book.safety.restraint_minutes;
    for (index, down) in case.left_to_do(Activity::PowerDownRestraints) {
        if down.work_minutes < needed {
            let message = format!("{:?} takes {} minutes; the rule book waits {needed}", down.id, down.work_minutes);
            found.refuse(index, "work", message, SOURCE);
        }
    }
}
