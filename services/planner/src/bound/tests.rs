use fitup_model::Cost;

use super::Bounder;
use super::lattice::Lattice;
use crate::compile::Compiled;
use crate::exact::{Answer, Exact};
use crate::milp::{Limit, Program};
use crate::testing;
use crate::{Never, Options, Outcome, Switches, plan};

/// Returns the cost of a plan that is no worse than what some search finds.
fn price(problem: &fitup_model::Problem) -> Option<Cost> {
    let options = Options { iterations: Some(200), ..Options::default() };
    let outcome = plan(problem, &options, &Never, &|_| ());
    outcome.solved().map(|solved| solved.cost)
}

#[test]
fn bounds_rise_to_no_more_than_a_price_and_repeat() {
    let mut gained = 0;
    for seed in 0..40 {
        let problem = testing::problem(seed);
        let compiled = Compiled::new(&problem);
        let Some(price) = price(&problem) else { continue };
        let run = || {
            let mut bounder = Bounder::new(&compiled, Switches::default());
            let first = bounder.bound();
            bounder.advance(Some(price), 60, &Never);
            (first, bounder.bound(), bounder.prices())
        };
        let (first, last, prices) = run();
        assert!(first <= last && last <= price, "seed {seed}: {first} {last} {price}");
        assert!(prices.hours.iter().all(|price| price.hour > 0 && price.open_minutes > 0), "seed {seed}");
        assert_eq!(run(), (first, last, prices), "seed {seed}");
        gained += i32::from(last > first);
    }
    assert!(gained >= 10, "the bound rose for {gained} shops");
}

#[test]
fn every_price_lies_on_the_lattice() {
    for seed in 0..40 {
        let problem = testing::problem(seed);
        let compiled = Compiled::new(&problem);
        let lattice = Lattice::new(&compiled);
        let Some(price) = price(&problem) else { continue };
        assert_eq!(lattice.ceil(price), price, "seed {seed}: {lattice:?}");
        assert_eq!(lattice.below(price), price - lattice.step, "seed {seed}");
        assert_eq!(lattice.ceil(price + 1), price + lattice.step, "seed {seed}");
    }
}

/// Where the plan is proven optimal, neither the integer program nor the exact search refutes more than it may: a target
/// one price higher leaves a plan, and the bound of the program is no higher than the optimum.
#[test]
fn neither_program_nor_search_refutes_the_optimum() {
    let (mut programs, mut searches) = (0, 0);
    for seed in 0..60 {
        let problem = testing::problem(seed);
        let options = Options { iterations: Some(400), ..Options::default() };
        let Outcome::Optimal(best) = plan(&problem, &options, &Never, &|_| ()) else { continue };
        let compiled = Compiled::new(&problem);
        let mut bounder = Bounder::new(&compiled, Switches::default());
        let target = best.cost + bounder.lattice().step;
        bounder.advance(Some(target), 60, &Never);
        assert!(bounder.bound() <= best.cost, "seed {seed}");
        let Some(remaining) = bounder.remaining(&Never).filter(|remaining| remaining.size() <= 800) else { continue };
        let answer = Program::new(&compiled, &remaining, bounder.lattice()).solve(Limit::Nodes(50));
        if let Some(bound) = answer.and_then(|answer| answer.bound) {
            assert!(bound <= best.cost, "seed {seed}: {bound} above {}", best.cost);
            programs += 1;
        }
        if let Some(mut exact) =
            Exact::new(&compiled, target, bounder.lattice(), Some(&remaining), crate::exact::bays::Bays::Counted)
        {
            assert_ne!(exact.run(10_000, &Never), Answer::Proven, "seed {seed}");
            searches += 1;
        }
    }
    assert!(programs >= 5 && searches >= 3, "{programs} programs, {searches} searches");
}
