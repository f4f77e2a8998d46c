//! One visit in a bay at a time, one bay for a car at a time, and time between visits of different families.

use super::{Inspection, Rule};
use crate::keyed::{BayId, VisitId};
use crate::problem::Problem;
use crate::time::Window;

pub(super) fn check(inspection: &mut Inspection) {
    let problem = inspection.problem;
    // In the order of their starts.
    let mut stays: Vec<(Window, VisitId)> =
        problem.visits.keys().filter_map(|id| Some((inspection.stay(id)?, id))).collect();
    stays.sort_unstable();
    for bay in problem.bays.keys() {
        let own: Vec<_> = stays.iter().filter(|(_, id)| inspection.bay_of(*id) == Some(bay)).copied().collect();
        for (first, second) in overlapping(inspection, &own) {
            let message = format!("{} holds {first} and {second}", inspection.bay(bay));
            inspection.report(Rule::BayDoubleBooked, message);
        }
        changeovers(inspection, bay, &own);
    }
    for (id, car) in problem.cars.iter() {
        let of_car = |visit: VisitId| problem.visits[visit].car == id && problem.visits[visit].on_vehicle;
        let own: Vec<_> = stays.iter().filter(|(_, visit)| of_car(*visit)).copied().collect();
        for (first, second) in overlapping(inspection, &own) {
            let message = format!("car \"{}\" is in two places: {first} and {second}", car.name);
            inspection.report(Rule::CarInTwoBays, message);
        }
    }
}

/// Describes every two of `stays` that overlap and are not both settled.
fn overlapping(inspection: &Inspection, stays: &[(Window, VisitId)]) -> Vec<(String, String)> {
    let describe = |(window, id): (Window, VisitId)| format!("{} {}", inspection.visit(id), inspection.window(window));
    let mut found = Vec::new();
    for (index, &second) in stays.iter().enumerate() {
        for &first in &stays[..index] {
            let both_settled = inspection.is_settled(first.1) && inspection.is_settled(second.1);
            if first.0.overlaps(second.0) && !both_settled {
                found.push((describe(first), describe(second)));
            }
        }
    }
    found
}

fn changeovers(inspection: &mut Inspection, bay: BayId, stays: &[(Window, VisitId)]) {
    for pair in stays.windows(2) {
        let [(before, first), (after, second)] = [pair[0], pair[1]];
        let (gap, needed) = ((after.start() - before.end()).minutes(), needed(inspection.problem, first, second));
        let both_settled = inspection.is_settled(first) && inspection.is_settled(second);
        // If the two overlap, then that is what is wrong.
        if gap < 0 || gap >= needed || both_settled {
            continue;
        }
        let message = format!(
            "{} stands empty for {gap} minutes between {}, until {}, and {}, and needs {needed} for the changeover",
            inspection.bay(bay),
            inspection.visit(first),
            inspection.at(before.end()),
            inspection.visit(second),
        );
        inspection.report(Rule::Changeover, message);
    }
}

fn needed(problem: &Problem, before: VisitId, after: VisitId) -> i64 {
    let (from, to) = (problem.visits[before].family, problem.visits[after].family);
    let of_pair = |changeover: &&crate::problem::Changeover| Some(changeover.from) == from && Some(changeover.to) == to;
    problem.changeovers.iter().find(of_pair).map_or(0, |changeover| changeover.span.minutes())
}
