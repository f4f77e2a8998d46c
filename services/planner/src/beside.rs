//! A car put into a plan beside the others, which all stay where they are.

use fitup_model::keyed::{CarId, Key};
use fitup_model::plan::Assignment;
use fitup_model::{Plan, Problem, check};

use crate::compile::{Compiled, NEVER};
use crate::construct;
use crate::random::Random;
use crate::schedule::{Saved, Schedule, Taste};

/// Returns `plan` with `car` in it where it costs least, and of such places where it is complete first; `None` if it finds no
/// place beside the others, or these break a rule where they are.
///
/// It is put in so many times, each time with another taste: the plan depends on what is given here alone.
pub fn beside(problem: &Problem, plan: &Plan, car: CarId, trials: u64, seed: u64) -> Option<Plan> {
    let compiled = Compiled::new(problem);
    let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
    let mut random = Random::new(seed, 1);
    let index = car.index();
    let without = crate::push::without(problem, plan, car);
    // Cars that are not in the plan wait behind the one that is asked about.
    let others_stand = |other: usize| other == index || !plan.includes(problem, CarId::from_index(other));
    if !construct::restore(&mut schedule, &without).into_iter().all(others_stand) {
        return None;
    }
    let (mut saved, mut order) = (Saved::default(), Vec::new());
    let mut best = None;
    for trial in 0..trials.max(1) {
        schedule.taste = if trial == 0 { Taste::PLAIN } else { taste(&mut random, compiled.clock.minutes) };
        if trial > 0 || !schedule.planned[index] {
            saved.clear();
            schedule.take_out(index, &mut saved);
            schedule.planned[index] = false;
            let _ = construct::insert_car(&mut schedule, index, &mut order, &mut Saved::default());
        }
        if !schedule.planned[index] {
            continue;
        }
        let key = (schedule.car_price(index), schedule.completion(index));
        if best.as_ref().is_none_or(|(best, _)| key < *best) {
            best = Some((key, schedule.to_plan()));
        }
    }
    let (_, with) = best?;
    // What stands beside it is what was asked about, and nothing that repair has moved.
    let stays = problem.operations.iter().all(|(id, operation)| {
        let same = |own: &Assignment, now: &Assignment| {
            (own.start, own.end, &own.technicians) == (now.start, now.end, &now.technicians)
        };
        match (&plan.operations[id], &with.operations[id]) {
            _ if operation.car == car => true,
            (None, _) => true,
            (Some(own), now) => now.as_ref().is_some_and(|now| same(own, now)),
        }
    });
    (stays && check(problem, &with).is_empty()).then_some(with)
}

fn taste(random: &mut Random, minutes: i64) -> Taste {
    let steps = |minutes_long: i64| (minutes_long / minutes.max(1)) as i32;
    Taste {
        blink: if random.chance(0.5) { 0.2 } else { 0.0 },
        noise: if random.chance(0.5) { steps(60).max(1) as usize } else { 0 },
        bias: 0,
        patience: if random.chance(0.5) { NEVER } else { steps(120).max(1) },
        delayed: None,
    }
}
