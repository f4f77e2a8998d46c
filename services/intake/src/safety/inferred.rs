//! What an operation that no line made does, as far as its hazards, its bay and its people tell: orders from files and
//! operations added by hand are held to the same rules.
//!
//! What cannot be told is not judged: which work is done beside restraints, what aims a camera, what hands a car over,
//! how long an adhesive takes, and whether the hours of a coat hold the purge after it.

use fitup_model::order::{Hazard, OrderOperation};

use super::Case;
use crate::book::Activity;

/// Tells whether the operation at `index` does this.
pub fn does(case: &Case<'_>, index: usize, operation: &OrderOperation, activity: Activity) -> bool {
    let safety = &case.book.safety;
    let has = |hazard: Hazard| operation.hazards.contains(&hazard);
    let attended = !operation.crew.is_empty();
    let class = case.class(operation);
    let is_in = |classes: &[String]| class.is_some_and(|class| classes.iter().any(|one| one == class));
    match activity {
        Activity::Spray => attended && has(Hazard::Isocyanate) && is_in(&safety.spray_classes),
        // Painters who are not in a booth prime, or would spray where nobody may; at the bench they mix.
        Activity::Prime => {
            let painter = operation.crew.iter().any(|skill| safety.spray_skills.contains(skill));
            attended && has(Hazard::Isocyanate) && painter && class.is_some() && !is_in(&safety.spray_classes)
        }
        Activity::Purge => !attended && is_in(&safety.spray_classes),
        // Who opens the circuit first empties it; afterwards others work beside what is left.
        Activity::Refrigerant => {
            let opens = |one: &OrderOperation| one.hazards.contains(&Hazard::Refrigerant) && !one.crew.is_empty();
            let mut others = case.facts().operations.iter().enumerate().filter(|(_, other)| opens(other));
            attended && has(Hazard::Refrigerant) && !others.any(|(other, _)| case.is_before(other, index))
        }
        Activity::SetGlass => attended && has(Hazard::UncuredGlass),
        Activity::HoldGlass => !attended && has(Hazard::UncuredGlass),
        Activity::IsolateHighVoltage => attended && has(Hazard::HighVoltage),
        Activity::StructuralHeat => attended && has(Hazard::Welding),
        Activity::Pull => attended && has(Hazard::Tension),
        Activity::Release
        | Activity::PowerDownRestraints
        | Activity::WorkOnRestraints
        | Activity::Align
        | Activity::Calibrate
        | Activity::WorkUnderCar => false,
    }
}
