//! No pool of equipment is asked for more than it has.

use super::{Inspection, Rule};
use crate::keyed::EquipmentId;
use crate::time::{Time, Window};

pub(super) fn check(inspection: &mut Inspection) {
    for (id, pool) in inspection.problem.equipment.iter() {
        for (window, peak) in excesses(inspection, id) {
            let message = format!(
                "equipment \"{}\" is asked for {peak} pieces, {}, and has {}, those out of service counted",
                pool.name,
                inspection.window(window),
                pool.capacity,
            );
            inspection.report(Rule::EquipmentOverCapacity, message);
        }
    }
}

/// Returns the stretches in which too much of `pool` is asked for by something planned, and the highest demand in each.
fn excesses(inspection: &Inspection, pool: EquipmentId) -> Vec<(Window, i64)> {
    let equipment = &inspection.problem.equipment[pool];
    // Of each demand: when, how many pieces, and whether by something planned.
    let mut demands: Vec<(Window, i64, bool)> =
        equipment.outages.iter().map(|outage| (outage.window, i64::from(outage.units), false)).collect();
    for (id, assignment) in inspection.holding() {
        for (_, units) in inspection.problem.operations[id].equipment.iter().filter(|(asked, _)| *asked == pool) {
            demands.push((assignment.window(), i64::from(*units), !inspection.is_fact(id)));
        }
    }
    let mut cuts: Vec<Time> = demands.iter().flat_map(|(window, ..)| [window.start(), window.end()]).collect();
    cuts.sort_unstable();
    cuts.dedup();
    let mut excesses: Vec<(Window, i64)> = Vec::new();
    for cut in cuts.windows(2) {
        let Some(piece) = Window::new(cut[0], cut[1]) else { continue };
        let here: Vec<_> = demands.iter().filter(|(window, ..)| window.overlaps(piece)).collect();
        let asked: i64 = here.iter().map(|(_, units, _)| units).sum();
        if asked <= i64::from(equipment.capacity) || !here.iter().any(|(.., planned)| *planned) {
            continue;
        }
        match excesses.last_mut() {
            Some((last, peak)) if last.end() == piece.start() => {
                (*last, *peak) = (Window::new(last.start(), piece.end()).unwrap_or(piece), asked.max(*peak));
            }
            _ => excesses.push((piece, asked)),
        }
    }
    excesses
}
