//! Nothing is left under load overnight.

use super::{Case, Findings, names};
use crate::book::Activity;

/// Warns where there is a pull.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let pulls = case.left_to_do(Activity::Pull);
    if !pulls.is_empty() {
        let message = "stop between pulls, never under one: no chain stays under load overnight, and nobody stands in line \
                       with it";
        found.warn("tension", names(&pulls), message, "common practice, no source");
    }
}
