use fitup_model::{Problem, check, cost};

use super::solve::{Effort, Found, improve};
use super::{Neighbourhoods, pick};
use crate::compile::Compiled;
use crate::construct;
use crate::random::Random;
use crate::schedule::Schedule;
use crate::{Never, Options, Outcome, Switches, plan, testing};

const EFFORT: Effort = Effort { looks: 60, ways: 40_000, conflicts: 5_000 };

/// Goal: what is shown to stand well does, and what is found is a plan that costs what it says. Method: in tiny shops a few
/// cars are freed, then all of them, and the end is held against the proven optimum.
#[test]
fn a_neighbourhood_of_all_cars_that_stands_well_is_the_optimum() {
    let (mut better, mut optimal, mut misses) = (0, 0, 0);
    for seed in 0..1200 {
        // Cars that may be left out are not told to exact search.
        let mut data = testing::problem(seed).into_data();
        data.left_out_price = 10_000_000;
        let problem = Problem::new(data).expect("a problem at another price is one");
        let compiled = Compiled::new(&problem);
        if !Neighbourhoods::are_of_use(&compiled) {
            continue;
        }
        let mut random = Random::new(seed, 0);
        let mut schedule = Schedule::new(&compiled, Random::new(seed, 1));
        construct::construct(&mut schedule, construct::RULES[0]);
        let cost_now = schedule.cost();
        let mut best = schedule.snapshot(cost_now);
        for size in [2, 3, 1000, 1000] {
            let free = pick::cars(&schedule, &mut random, size);
            if free.is_empty() {
                continue;
            }
            let before = best.cost;
            let found = improve(&mut schedule, &mut best, &free, EFFORT, Switches::default(), &Never);
            assert_eq!(found == Found::Better, best.cost < before, "seed {seed}");
            let plan_now = schedule.to_plan();
            assert_eq!(check(&problem, &plan_now), [], "seed {seed}");
            assert_eq!(cost::cost(&problem, &plan_now), best.cost, "seed {seed}");
            better += i32::from(found == Found::Better);
            let all =
                compiled.cars.iter().enumerate().all(|(car, data)| data.operations.is_empty() || free.contains(&car));
            if all && found == Found::Best {
                let options = Options { iterations: Some(400), ..Options::default() };
                if let Outcome::Optimal(solved) = plan(&problem, &options, &Never, &|_| ()) {
                    assert_eq!(best.cost, solved.cost, "seed {seed}");
                    optimal += 1;
                }
            }
            misses += i32::from(found == Found::Open);
        }
    }
    assert!(better >= 10 && optimal >= 5, "{better} better, {optimal} optimal, {misses} open");
}
