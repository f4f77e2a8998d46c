//! Nobody is in two places at once.

use super::{Inspection, Rule};

pub(super) fn check(inspection: &mut Inspection) {
    let holding = inspection.holding();
    for person in inspection.problem.technicians.keys() {
        let own: Vec<_> =
            holding.iter().filter(|(_, assignment)| assignment.technicians.contains(&person)).copied().collect();
        for (index, &(id, assignment)) in own.iter().enumerate() {
            for &(other, second) in &own[..index] {
                let both_facts = inspection.is_fact(id) && inspection.is_fact(other);
                if assignment.window().overlaps(second.window()) && !both_facts {
                    let message = format!(
                        "{} is on {} {} and on {} {}",
                        inspection.technician(person),
                        inspection.operation(other),
                        inspection.window(second.window()),
                        inspection.operation(id),
                        inspection.window(assignment.window()),
                    );
                    inspection.report(Rule::TechnicianDoubleBooked, message);
                }
            }
        }
    }
}
