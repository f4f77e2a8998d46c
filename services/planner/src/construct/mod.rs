//! First plans: cars one after another in the order of a dispatch rule, each at its earliest places.
//!
//! Serial schedule generation as in Kolisch (1996), doi:10.1016/0377-2217(95)00357-6, with whole cars for activities.

mod arrival;
mod promise;
mod slack;
mod weight;
mod weighted_slack;
mod work;

use fitup_model::Plan;
use fitup_model::keyed::Key;

use crate::compile::Compiled;
use crate::schedule::{Saved, Schedule, Taste};
use crate::stop::{Never, Stop};

/// A dispatch rule: cars with smaller keys go first.
type Rule = fn(&Compiled, usize) -> i64;

/// The rules, in the order in which they are tried.
pub const RULES: [Rule; 6] = [slack::key, weighted_slack::key, promise::key, arrival::key, weight::key, work::key];

/// How often the insertion of one car may go back.
const JUMPS: usize = 400;

/// Places every car that is not planned yet, committed ones first, in the order of `rule`. Those that find no place stay
/// left out.
pub fn construct(schedule: &mut Schedule, rule: Rule) {
    construct_until(schedule, rule, &Never);
}

/// Does the same, unless somebody says stop before; then it returns `false`, and cars are missing.
pub fn construct_until(schedule: &mut Schedule, rule: Rule, stop: &dyn Stop) -> bool {
    let compiled = schedule.compiled;
    let mut cars: Vec<usize> = (0..compiled.cars.len()).filter(|&car| !schedule.planned[car]).collect();
    cars.sort_by_key(|&car| (!compiled.cars[car].committed, rule(compiled, car), car));
    let mut saved = Saved::default();
    let mut order = Vec::new();
    schedule.taste = Taste::PLAIN;
    for car in cars {
        if stop.should_stop() {
            return false;
        }
        let _ = insert_car(schedule, car, &mut order, &mut saved);
    }
    true
}

/// Places every car as in `plan` where that keeps the rules, then the others, in the order of their old starts.
pub fn repair(schedule: &mut Schedule, plan: &Plan) {
    let compiled = schedule.compiled;
    if plan.operations.len() != compiled.operations.len() || plan.bays.len() != compiled.visits.len() {
        return construct(schedule, RULES[0]);
    }
    let (mut saved, mut order) = (Saved::default(), Vec::new());
    for car in restore(schedule, plan) {
        let _ = insert_car(schedule, car, &mut order, &mut saved);
    }
}

/// Places every car as in `plan`, which is one of this problem, where that keeps the rules, and returns the others, in the
/// order in which they are to be placed.
pub fn restore(schedule: &mut Schedule, plan: &Plan) -> Vec<usize> {
    let compiled = schedule.compiled;
    let old_start = |car: usize| {
        let operations = compiled.cars[car].operations.iter();
        let starts =
            operations.filter_map(|&index| Some(plan.operations[Key::from_index(index as usize)].as_ref()?.start));
        starts.min().map_or(i64::MAX, |start| start.minutes())
    };
    let mut cars: Vec<usize> = (0..compiled.cars.len()).filter(|&car| !schedule.planned[car]).collect();
    // Visits that have begun hold their bays until they are complete, so their cars go first.
    let begun = |car: usize| {
        let mut visits = compiled.cars[car].visits.iter().map(|&visit| &compiled.visits[visit as usize]);
        visits.any(|visit| visit.fact.is_some() && !visit.operations.is_empty())
    };
    cars.sort_by_key(|&car| (!begun(car), !compiled.cars[car].committed, old_start(car), car));
    let mut saved = Saved::default();
    schedule.taste = Taste::PLAIN;
    schedule.hold_as_in(plan);
    cars.retain(|&car| !schedule.place_as_in(car, plan, &mut saved));
    cars
}

/// Places one car that is not planned; on failure nothing has changed, and the operation without a place is returned.
pub fn insert_car(schedule: &mut Schedule, car: usize, order: &mut Vec<u32>, saved: &mut Saved) -> Result<(), u32> {
    let compiled = schedule.compiled;
    if compiled.cars[car].impossible.is_some() {
        return Err(compiled.cars[car].operations.first().copied().unwrap_or(0));
    }
    saved.clear();
    schedule.take_out(car, saved);
    order.clear();
    order.extend(&compiled.cars[car].operations);
    order.sort_by_key(|&index| compiled.operations[index as usize].head);
    // Heads respect links but for negative waits; what waits is looked for again by the insertion.
    match schedule.insert(order, JUMPS) {
        Ok(()) => {
            schedule.planned[car] = true;
            schedule.price[car] = schedule.car_price(car);
            Ok(())
        }
        Err(operation) => {
            schedule.put_back(saved);
            Err(operation)
        }
    }
}

/// Returns the promise of a car in minutes, or the horizon if it has none.
fn promise_of(compiled: &Compiled, car: usize) -> i64 {
    compiled.cars[car].promise.min(compiled.problem.horizon.minutes())
}

/// Returns the shortest time that a car takes, in minutes.
fn tail_of(compiled: &Compiled, car: usize) -> i64 {
    i64::from(compiled.cars[car].tail) * compiled.clock.minutes
}
