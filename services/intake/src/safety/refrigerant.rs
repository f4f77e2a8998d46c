//! Refrigerant is handled by certified people alone.

use super::{Case, Findings, crew};
use crate::book::Activity;

const SOURCE: &str = "40 CFR 82.34(a): a person certified under 82.40, with approved equipment";

/// Refuses others.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let skills = &case.book.safety.refrigerant_skills;
    for (index, operation) in case.left_to_do(Activity::Refrigerant) {
        if operation.crew.is_empty() || !operation.crew.iter().all(|skill| skills.contains(skill)) {
            let message = format!(
                "{:?} handles refrigerant and is done by {}; it takes one of the rule book's `refrigerant_skills`: {}",
                operation.id,
                crew(operation),
                skills.join(" or ")
            );
            found.refuse(index, "crew", message, SOURCE);
        }
    }
}
