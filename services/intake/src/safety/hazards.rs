//! What can hurt, by the hazards of the operations that are left.

use fitup_model::order::{Hazard, Progress};

use super::{Case, Caution, Findings};

const PRACTICE: &str = "common practice, no source";

/// What is said of each hazard, and from where.
const TEXTS: [(Hazard, &str, &str, &str); 8] = [
    (
        Hazard::HighVoltage,
        "high-voltage",
        "high voltage: only who is qualified for this car isolates it, and nobody works on it before it is measured dead",
        "29 CFR 1910.333 and NFPA 70E, from memory",
    ),
    (
        Hazard::RestraintSystem,
        "restraint-system",
        "airbags and belt tensioners: power down and wait as the maker says before anything is unplugged",
        "maker service precautions: published waits run from 10 seconds to 30 minutes",
    ),
    (
        Hazard::Isocyanate,
        "isocyanate",
        "paint, hardener and dust hold isocyanates and solvents: supplied air, a booth or extracted place that works, and \
         nobody else inside until it has cleared",
        "UK HSE, motor vehicle repair: a booth takes 1 to 5 minutes to clear, its own time must be known",
    ),
    (
        Hazard::UncuredGlass,
        "uncured-glass",
        "glass that is not yet held by its adhesive: no road test and no slammed door before its drive-away time",
        "\"Minimum driveaway time for urethane adhesive\", I-CAR Repairability Technical Support",
    ),
    (Hazard::RaisedVehicle, "raised-vehicle", "a raised or anchored car: nobody under it who need not be", PRACTICE),
    (Hazard::Tension, "tension", "chains and clamps under tension: nobody in line with them", PRACTICE),
    (
        Hazard::Refrigerant,
        "refrigerant",
        "refrigerant freezes and displaces air: gloves, goggles, moving air, and the machine for that refrigerant",
        "40 CFR 82.34(a); the rest common practice, no source",
    ),
    (
        Hazard::Welding,
        "welding",
        "welding heat, sparks and fumes: glass, trim and high-voltage parts covered or out, a fire watch",
        PRACTICE,
    ),
];

/// Returns what is said of these hazards, each once.
pub fn texts(hazards: &[Hazard]) -> Vec<(Hazard, Caution)> {
    let said = TEXTS.iter().filter(|(hazard, ..)| hazards.contains(hazard));
    said.map(|(hazard, rule, message, source)| {
        let (rule, message, source) = ((*rule).to_owned(), (*message).to_owned(), (*source).to_owned());
        (*hazard, Caution { rule, about: Vec::new(), message, source })
    })
    .collect()
}

/// Warns of each hazard once, with the operations that have it.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    for (hazard, rule, message, source) in TEXTS {
        let left = case.facts().operations.iter().filter(|operation| {
            operation.hazards.contains(&hazard) && !matches!(operation.progress, Progress::Done { .. })
        });
        let about: Vec<String> = left.map(|operation| operation.id.clone()).collect();
        // Another rule may have said more of it.
        if let Some(said) = found.cautions.iter_mut().find(|caution| caution.rule == rule) {
            let new: Vec<String> = about.into_iter().filter(|id| !said.about.contains(id)).collect();
            said.about.extend(new);
        } else if !about.is_empty() {
            found.warn(rule, about, message, source);
        }
    }
}
