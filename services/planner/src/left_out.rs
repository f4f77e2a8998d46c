//! Why cars are left out.

use fitup_model::Plan;
use fitup_model::keyed::{CarId, Key, OperationId};

use crate::compile::Compiled;
use crate::construct;
use crate::outcome::{LeftOut, LeftOutReason};
use crate::random::Random;
use crate::schedule::{Saved, Schedule};

/// Returns the cars that `plan` leaves out, with reasons: tries each of them alone beside the facts, then in `schedule`.
pub fn left_out(schedule: &Schedule, plan: &Plan) -> Vec<LeftOut> {
    let compiled = schedule.compiled;
    let out: Vec<CarId> = compiled.problem.cars.keys().filter(|&car| !plan.includes(compiled.problem, car)).collect();
    if out.is_empty() {
        return Vec::new();
    }
    let empty = Schedule::new(compiled, Random::new(0, 0));
    out.into_iter().map(|car| LeftOut { car, reason: reason(compiled, &empty, schedule, car.index()) }).collect()
}

fn reason(compiled: &Compiled, empty: &Schedule, full: &Schedule, car: usize) -> LeftOutReason {
    if let Some(reason) = &compiled.cars[car].impossible {
        return reason.clone();
    }
    let mut saved = Saved::default();
    let mut order = Vec::new();
    if let Err(index) = construct::insert_car(&mut empty.clone(), car, &mut order, &mut saved) {
        return LeftOutReason::Contradiction { operation: OperationId::from_index(index as usize) };
    }
    let beside = construct::insert_car(&mut full.clone(), car, &mut order, &mut saved);
    // A car that fits after all was stopped before its turn; its last operation stands for it.
    let index = beside.err().or(compiled.cars[car].operations.last().copied()).unwrap_or(0);
    LeftOutReason::NoRoom { operation: OperationId::from_index(index as usize) }
}
