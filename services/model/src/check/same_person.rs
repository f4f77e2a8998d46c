//! Required same persons.

use super::{Inspection, Rule};
use crate::problem::SamePersonRule;

pub(super) fn check(inspection: &mut Inspection) {
    for (id, assignment) in inspection.planned() {
        let Some(wish) = inspection.problem.operations[id].same_person else { continue };
        let Some(earlier) = &inspection.plan.operations[wish.operation] else { continue };
        let again = assignment.technicians.iter().any(|person| earlier.technicians.contains(person));
        if wish.rule == SamePersonRule::Required && !again {
            let (name, earlier) = (inspection.operation(id), inspection.operation(wish.operation));
            inspection.report(Rule::SamePerson, format!("{name} has nobody of the crew of {earlier}"));
        }
    }
}
