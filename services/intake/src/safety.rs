//! Rules of safety, one file a rule: what breaks a hard one is refused, the rest asks for caution.
//!
//! They look at an order as it would be saved, overrides and all. What has started is past checking. A rule cites what it
//! rests on; it does not say that a shop complies with it.

mod air_of_the_day;
mod calibration;
mod glass;
mod hazards;
mod high_voltage;
mod inferred;
mod purge;
mod refrigerant;
mod required;
mod restraints;
mod spray;
mod tension;

use fitup_model::order::{Hazard, OrderOperation, Progress};
use fitup_model::take_in::TakeInFacts;
use fitup_model::{Fault, Faults, OrderFacts};

use crate::book::{Activity, RuleBook};
use crate::build::{Built, Origin};
use crate::graph;

/// What every list of cautions ends with.
pub const LAST_WORD: &str = "The vehicle maker's procedures and local codes come first.";

/// Something that asks for caution.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// The rule that says so.
    pub rule: String,
    /// Operations or panels; none if it is about the whole car.
    pub about: Vec<String>,
    /// What.
    pub message: String,
    /// Where it is from.
    pub source: String,
}

impl Caution {
    /// Returns the same about an operation.
    pub fn at(&self, operation: &str) -> Caution {
        Caution { about: vec![operation.to_owned()], ..self.clone() }
    }
}

/// An order as it would be saved, with what it was made from.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// The rule book.
    pub book: &'a RuleBook,
    /// What it was made from.
    pub take_in: &'a TakeInFacts,
    /// The order.
    pub built: &'a Built,
}

/// What the rules find.
#[derive(Debug, Default)]
pub struct Findings {
    refusals: Faults,
    cautions: Vec<Caution>,
}

impl Findings {
    fn refuse(&mut self, operation: usize, field: &str, message: String, source: &str) {
        self.refusals.add(format!("operations[{operation}].{field}"), format!("{message} ({source})"));
    }

    fn warn(&mut self, rule: &str, about: Vec<String>, message: impl Into<String>, source: &str) {
        let caution = Caution { rule: rule.into(), about, message: message.into(), source: source.into() };
        self.cautions.push(caution);
    }
}

/// Checks an order.
///
/// # Errors
/// All that breaks a hard rule, with what the rule rests on; paths are those of the order.
pub fn check(case: &Case<'_>) -> Result<Vec<Caution>, Vec<Fault>> {
    let mut findings = Findings { cautions: case.built.cautions.clone(), ..Findings::default() };
    for rule in [
        required::check,
        spray::check,
        purge::check,
        refrigerant::check,
        glass::check,
        high_voltage::check,
        restraints::check,
        calibration::check,
        tension::check,
        air_of_the_day::check,
        hazards::check,
    ] {
        rule(case, &mut findings);
    }
    findings.refusals.into_result(findings.cautions)
}

/// Returns what is said of hazards wherever work is listed, each once.
pub fn of_hazards(hazards: &[Hazard]) -> Vec<(Hazard, Caution)> {
    hazards::texts(hazards)
}

/// Returns what an order breaks that it did not break before, in words; `before` is the order as it was, if there was one.
/// The orders are those that a change makes, so that what was wrong already does not stand in the way of mending it.
///
/// # Errors
/// All that breaks a hard rule now; paths are those of the order.
pub fn check_change(before: Option<&Case<'_>>, after: &Case<'_>) -> Result<(), Vec<Fault>> {
    let known: Vec<String> = before
        .and_then(|before| check(before).err())
        .map(|faults| faults.into_iter().map(|fault| fault.message).collect())
        .unwrap_or_default();
    let mut faults = check(after).err().unwrap_or_default();
    faults.retain(|fault| !known.contains(&fault.message));
    if faults.is_empty() { Ok(()) } else { Err(faults) }
}

impl<'a> Case<'a> {
    fn facts(&self) -> &'a OrderFacts {
        &self.built.facts
    }

    fn origin(&self, operation: &str) -> Option<&'a Origin> {
        self.built.origins.iter().find(|origin| origin.operation == operation)
    }

    /// Returns the operations that do something, with their indexes.
    fn doing(&self, activity: Activity) -> Vec<(usize, &'a OrderOperation)> {
        let operations = self.facts().operations.iter().enumerate();
        let does = |(index, operation): &(usize, &OrderOperation)| match self.origin(&operation.id) {
            Some(origin) => origin.does.contains(&activity),
            None => inferred::does(self, *index, operation, activity),
        };
        operations.filter(does).collect()
    }

    /// Those of them that have not started.
    fn left_to_do(&self, activity: Activity) -> Vec<(usize, &'a OrderOperation)> {
        let mut operations = self.doing(activity);
        operations.retain(|(_, operation)| operation.progress == Progress::Waiting);
        operations
    }

    /// Tells whether one operation is done, or links see to it that it is before another begins.
    fn is_before(&self, first: usize, then: usize) -> bool {
        let operations = &self.facts().operations;
        if matches!(operations[first].progress, Progress::Done { .. }) {
            return true;
        }
        let index = |id: &str| operations.iter().position(|operation| operation.id == id);
        let links = self.facts().links.iter().filter_map(|link| Some((index(&link.from)?, index(&link.to)?)));
        let links: Vec<(usize, usize)> = links.collect();
        first != then && graph::reached(operations.len(), &links, first)[then]
    }

    fn class(&self, operation: &OrderOperation) -> Option<&'a str> {
        let visit = operation.visit.as_ref()?;
        self.facts().visits.iter().find(|other| other.id == *visit).map(|visit| visit.bay_class.as_str())
    }
}

fn names(operations: &[(usize, &OrderOperation)]) -> Vec<String> {
    operations.iter().map(|(_, operation)| operation.id.clone()).collect()
}

/// Names the people that an operation wants, for messages.
fn crew(operation: &OrderOperation) -> String {
    if operation.crew.is_empty() { "nobody".to_owned() } else { operation.crew.join(" and ") }
}
