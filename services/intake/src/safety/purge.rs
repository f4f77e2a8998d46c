//! After the last coat the booth is cleared of vapour before anybody works in it again.

use fitup_model::order::OrderOperation;

use super::{Case, Findings};
use crate::book::Activity;

const SOURCE: &str = "29 CFR 1910.107(d)(2), clause from memory: ventilation goes on until the vapour has cleared";

/// Refuses a coat without a purge in the same visit after it.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    // Where no line made the order, the hours of the coat may hold the purge: that is not judged.
    let known = |(_, coat): &(usize, &OrderOperation)| case.origin(&coat.id).is_some();
    for (index, operation) in case.left_to_do(Activity::Spray).into_iter().filter(known) {
        let purged = case
            .doing(Activity::Purge)
            .into_iter()
            .any(|(purge, other)| other.visit == operation.visit && case.is_before(index, purge));
        if !purged {
            let message = format!(
                "nothing clears the booth after {:?}; a purge belongs into the same visit, after it",
                operation.id
            );
            found.refuse(index, "visit", message, SOURCE);
        }
    }
}
