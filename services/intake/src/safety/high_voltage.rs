//! The high-voltage system is isolated by qualified people before the structure is welded, cut or heated.

use super::{Case, Findings, crew, names};
use crate::book::Activity;

const SOURCE: &str = "29 CFR 1910.333 and NFPA 70E, from memory: the maker's procedure and its wait rule";

/// Refuses structural heat on a high-voltage car that is not isolated first, and isolation by others.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let isolated = case.doing(Activity::IsolateHighVoltage);
    if isolated.is_empty() && !case.take_in.features.iter().any(|feature| feature == "high-voltage") {
        return;
    }
    for (index, heat) in case.left_to_do(Activity::StructuralHeat) {
        if !isolated.iter().any(|(first, _)| case.is_before(*first, index)) {
            let message = format!("{:?} heats the structure of a high-voltage car before it is isolated", heat.id);
            found.refuse(index, "id", message, SOURCE);
        }
    }
    let skills = &case.book.safety.high_voltage_skills;
    for (index, operation) in case.left_to_do(Activity::IsolateHighVoltage) {
        if operation.crew.is_empty() || !operation.crew.iter().any(|skill| skills.contains(skill)) {
            let message = format!(
                "{:?} is done by {}; it takes one of the rule book's `high_voltage_skills`: {}",
                operation.id,
                crew(operation),
                skills.join(" or ")
            );
            found.refuse(index, "crew", message, SOURCE);
        }
    }
    let message = "a damaged high-voltage battery is kept outside, 15 m (50 ft) from buildings, cars and what burns; only \
                   who is qualified for this car isolates it";
    let source =
        "guidance of the US National Highway Traffic Safety Administration, as quoted in Washington SSB 5909 (2024)";
    found.warn("high-voltage", names(&isolated), message, source);
}
