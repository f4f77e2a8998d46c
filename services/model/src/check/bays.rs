//! Which bay a visit has: one if its car is in the plan, of its class, and open.

use super::{Inspection, Rule};
use crate::problem::BayChoice;
use crate::time::Window;

pub(super) fn check(inspection: &mut Inspection) {
    let problem = inspection.problem;
    for (id, visit) in problem.visits.iter() {
        let entered = matches!(visit.bay, BayChoice::Entered(_));
        let (name, included) = (inspection.visit(id), inspection.includes(visit.car));
        // That an entered visit without a bay stands in one is told by its own rule.
        if inspection.plan.bays[id].is_none() && included && !entered {
            inspection.report(Rule::MissingBay, format!("{name} has no bay"));
        }
        let Some(bay) = inspection.bay_of(id) else { continue };
        let bay_name = inspection.bay(bay);
        if !included && !entered {
            let car = &problem.cars[visit.car].name;
            inspection.report(Rule::UnwantedBay, format!("{name} has {bay_name} while car \"{car}\" is left out"));
        }
        if entered {
            continue;
        }
        if !problem.bays[bay].classes.contains(&visit.class) {
            let class = &problem.bay_classes[visit.class];
            inspection.report(Rule::BayClass, format!("{name} needs class \"{class}\", which {bay_name} is not"));
        }
        let Some(stay) = inspection.stay(id) else { continue };
        let inside = |open: &Window| open.start() <= stay.start() && stay.end() <= open.end();
        if !problem.calendars[problem.bays[bay].calendar].windows().iter().any(inside) {
            let at = inspection.window(stay);
            let message = format!("{name}, {at}, is not inside one opening of {bay_name}");
            inspection.report(Rule::BayClosed, message);
        }
    }
}
