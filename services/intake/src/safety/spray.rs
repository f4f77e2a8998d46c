//! Colour, clear and primer are sprayed in a bay of the right class, by people qualified for it alone.

use super::{Case, Findings, crew};
use crate::book::Activity;

const SOURCE: &str = "40 CFR 63.11173(e): trained painters, in a filtered booth or prep station";

/// Refuses spraying elsewhere, or by others.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let safety = &case.book.safety;
    for (activity, classes) in [(Activity::Spray, &safety.spray_classes), (Activity::Prime, &safety.prime_classes)] {
        for (index, operation) in case.left_to_do(activity) {
            let class = case.class(operation).unwrap_or("none");
            if !classes.iter().any(|known| known == class) {
                let message = format!(
                    "{:?} sprays in a bay of class {class}; it is done in {} only",
                    operation.id,
                    classes.join(" or ")
                );
                found.refuse(index, "visit", message, SOURCE);
            }
            let skilled = |skill: &String| safety.spray_skills.contains(skill);
            if operation.crew.is_empty() || !operation.crew.iter().all(skilled) {
                let message = format!(
                    "{:?} is sprayed by {}; everybody who sprays has one of the rule book's `spray_skills`: {}",
                    operation.id,
                    crew(operation),
                    safety.spray_skills.join(" or ")
                );
                found.refuse(index, "crew", message, SOURCE);
            }
        }
    }
}
