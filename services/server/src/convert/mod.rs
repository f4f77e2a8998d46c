//! Contract ↔ model, one file a resource: the only code that sees both.
//!
//! What comes in is read as a whole: each fault is noted with its path and something harmless stands in its place, so
//! that the model's own checks see the rest and all faults are told at once.

pub mod diff;
pub mod dispatch;
pub mod explain;
mod fields;
pub mod floor;
pub mod hold;
pub mod intake;
pub mod mask;
pub mod names;
pub mod order;
pub mod plan;
pub mod plan_run;
pub mod quote;
pub mod rehearsal;
#[cfg(test)]
mod round_trip;
pub mod shop;
pub mod token;

pub use fields::{collect, to_instant};

use fitup_model::Fault;

/// Reads an instant that may be absent and stands at the top of a request.
pub fn instant_field(
    value: Option<&prost_types::Timestamp>,
    name: &'static str,
) -> (Option<jiff::Timestamp>, Vec<Fault>) {
    collect(|at| fields::optional_instant(value, &at.field(name)))
}

/// Returns `read` together with those of `checked` that are about something else.
///
/// What the model finds about an element that could not be read is about what stands in its place, and left out.
pub fn merge(read: Vec<Fault>, checked: Vec<Fault>) -> Vec<Fault> {
    let element = |path: &str| path.split('.').next().unwrap_or_default().to_owned();
    let broken: Vec<String> = read.iter().map(|fault| element(&fault.path)).collect();
    let mut faults = read;
    faults.extend(checked.into_iter().filter(|fault| !broken.contains(&element(&fault.path))));
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_in_for_something_unreadable_is_not_judged() {
        let fault = |path: &str| Fault { path: path.into(), message: String::new() };
        let merged = merge(
            vec![fault("operations[3].work"), fault("arrival_time")],
            vec![fault("operations[3].crew[0]"), fault("operations[33].visit"), fault("arrival_time")],
        );
        assert_eq!(merged, [fault("operations[3].work"), fault("arrival_time"), fault("operations[33].visit")]);
    }
}
