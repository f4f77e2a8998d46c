//! The one loop.

use fitup_model::{Cost, Plan, check, cost};

use crate::compile::Compiled;
use crate::construct;
use crate::left_out::left_out;
use crate::outcome::{Outcome, Phase, Progress, Solved};
use crate::random::Random;
use crate::schedule::{Saved, Schedule};
use crate::{Options, Stop};

pub fn run(
    compiled: &Compiled,
    options: &Options,
    stop: &dyn Stop,
    on_progress: &(dyn Fn(&Progress) + Sync),
) -> Outcome {
    let bound = compiled.trivial_bound();
    let facts = Schedule::new(compiled, Random::new(options.seed, 0));
    let mut best: Option<(Cost, Schedule)> = None;
    for rule in construct::RULES {
        if stop.should_stop() {
            break;
        }
        let mut schedule = facts.clone();
        construct::construct(&mut schedule, rule);
        let price = schedule.cost();
        if best.as_ref().is_none_or(|best| price < best.0) {
            best = Some((price, schedule));
        }
    }
    let Some((price, schedule)) = best else { return Outcome::Unknown { bound } };
    let plan = schedule.to_plan();
    let violations = check(compiled.problem, &plan);
    debug_assert!(violations.is_empty(), "{violations:?}");
    debug_assert_eq!(cost::cost(compiled.problem, &plan), price);
    on_progress(&Progress { phase: Phase::Construct, price: Some(price), bound });
    Outcome::Feasible(Solved { plan, cost: price, bound, left_out: left_out(&schedule), iterations: 0 })
}
