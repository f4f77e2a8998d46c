//! What the rule book calls required is not left out because a car is late.

use super::{Case, Findings};

const SOURCE: &str = "the rule book calls it required";

/// Refuses what was left out by hand.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    for operation in &case.built.left_out {
        let at = case.take_in.overrides.iter().position(|settled| settled.operation() == operation).unwrap_or(0);
        found
            .refusals
            .add(format!("overrides[{at}].leave_out"), format!("{operation:?} may not be left out ({SOURCE})"));
    }
}
