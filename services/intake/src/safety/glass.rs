//! No car is driven or handed over before the adhesive of its glass holds.

use fitup_model::order::OrderOperation;

use super::{Case, Findings};
use crate::book::Activity;
use crate::cure;

const SOURCE: &str = "ANSI/AGSC/AGRSS 003: the adhesive maker's minimum drive-away time; 49 CFR 571.212, from memory";

/// Refuses glass without its wait, a wait shorter than the table says, and a road test or delivery before its end.
pub fn check(case: &Case<'_>, found: &mut Findings) {
    let (needed, _) = cure::hold(case.book, &case.take_in.conditions);
    let holds = case.doing(Activity::HoldGlass);
    for (index, set) in case.left_to_do(Activity::SetGlass) {
        if !holds.iter().any(|(hold, _)| case.is_before(index, *hold)) {
            let message = format!("nothing holds the car after {:?} until the adhesive does", set.id);
            found.refuse(index, "id", message, SOURCE);
        }
    }
    // An order that no line made says nothing of its adhesive: how long it takes is not judged.
    let known = |(_, hold): &(usize, &OrderOperation)| case.origin(&hold.id).is_some();
    for (index, hold) in case.left_to_do(Activity::HoldGlass).into_iter().filter(known) {
        if hold.work_minutes < needed || !hold.crew.is_empty() {
            let message = format!(
                "{:?} takes {} minutes; the adhesive needs {needed} at the temperature and humidity given",
                hold.id, hold.work_minutes
            );
            found.refuse(index, "work", message, SOURCE);
        }
    }
    for (index, release) in case.left_to_do(Activity::Release) {
        for (hold, operation) in &holds {
            if !case.is_before(*hold, index) {
                let message =
                    format!("{:?} may come before the end of {:?}: the glass would not hold", release.id, operation.id);
                found.refuse(index, "id", message, SOURCE);
            }
        }
    }
}
