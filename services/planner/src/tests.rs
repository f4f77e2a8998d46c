//! The planner as a whole, on small nasty problems and on plain ones.

use std::sync::atomic::{AtomicU64, Ordering};

use fitup_model::keyed::{CarId, Key, OperationId};
use fitup_model::{Plan, Problem, ProblemData, Span, Time, check, cost};
use proptest::prelude::*;

use crate::compile::Compiled;
use crate::construct;
use crate::improve::{Budget, Pace, Search};
use crate::random::Random;
use crate::schedule::Schedule;
use crate::testing::problem;
use crate::{CancelFlag, Idea, Never, Options, Outcome, Solved, Stop, Switches, plan};

fn options(iterations: u64) -> Options<'static> {
    Options { seed: 3, iterations: Some(iterations), ..Options::default() }
}

fn solve(problem: &Problem, options: &Options) -> Option<Solved> {
    match plan(problem, options, &Never, &|_| {}) {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => Some(solved),
        Outcome::Infeasible(_) => None,
        Outcome::Unknown { .. } => panic!("nothing stopped it"),
    }
}

/// Checks what must hold of every answer.
fn verify(problem: &Problem, solved: &Solved) {
    assert_eq!(check(problem, &solved.plan), []);
    assert_eq!(cost::cost(problem, &solved.plan), solved.cost);
    assert!(solved.bound <= solved.cost);
    let out: Vec<CarId> = problem.cars.keys().filter(|&car| !solved.plan.includes(problem, car)).collect();
    assert_eq!(solved.left_out.iter().map(|left_out| left_out.car).collect::<Vec<_>>(), out);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 10, failure_persistence: None, ..ProptestConfig::default() })]

    /// Every plan keeps the rules, and its price is that of the model.
    #[test]
    fn plans_are_good(seed in any::<u64>()) {
        let problem = problem(seed);
        if let Some(solved) = solve(&problem, &options(400)) {
            verify(&problem, &solved);
        }
    }

    /// Starting from a plan of the same problem, the answer costs no more.
    #[test]
    fn a_start_is_never_made_worse(seed in any::<u64>()) {
        let problem = problem(seed);
        if let Some(first) = solve(&problem, &options(100)) {
            let again = solve(&problem, &Options { start: Some(&first.plan), ..options(100) }).expect("it was planned once");
            prop_assert!(again.cost <= first.cost, "{} after {}", again.cost, first.cost);
        }
    }

    /// Any plan may be given as a start, even one of another problem.
    #[test]
    fn a_wrong_start_does_no_harm(seed in any::<u64>(), other in any::<u64>()) {
        let (first, second) = (problem(seed), problem(other));
        if let Some(solved) = solve(&first, &options(50))
            && let Some(other) = solve(&second, &Options { start: Some(&solved.plan), ..options(50) })
        {
            verify(&second, &other);
        }
    }
}

/// The search alone, on many more problems than with proofs beside it.
#[test]
fn searched_plans_are_good() {
    for seed in 0..400 {
        let problem = problem(1_000_000 + seed);
        let compiled = Compiled::new(&problem);
        let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
        if !check(&problem, &schedule.to_plan()).is_empty() {
            continue;
        }
        construct::construct(&mut schedule, construct::RULES[seed as usize % construct::RULES.len()]);
        let mut search = Search::new(schedule.clone(), Random::new(seed, 1), Switches::default());
        search.run(&Budget { stop: &Never, iterations: 400, pace: Pace::Iterations { from: 0.0, to: 1.0 } });
        schedule.load(&search.best);
        let plan = schedule.to_plan();
        assert_eq!(check(&problem, &plan), [], "seed {seed}");
        assert_eq!(cost::cost(&problem, &plan), search.best.cost, "seed {seed}");
    }
}

#[test]
fn same_seed_same_plan_on_two_threads() {
    for seed in 0..3 {
        let problem = problem(seed);
        let options = Options { threads: 2, ..options(600) };
        assert_eq!(plan(&problem, &options, &Never, &|_| {}), plan(&problem, &options, &Never, &|_| {}));
    }
}

/// So many iterations that exact neighbourhoods join in: the answer still depends on the seed alone.
#[test]
fn same_seed_same_plan_with_exact_neighbourhoods() {
    let switches = Switches::default().without(Idea::Exact).without(Idea::Program);
    for seed in 0..8 {
        let problem = problem(seed);
        let most = 2_000 * problem.operations.len() as u64;
        for threads in [1, 2] {
            let options = Options { switches, threads, ..options(most) };
            let Some(solved) = solve(&problem, &options) else { continue };
            verify(&problem, &solved);
            let again = solve(&problem, &options).expect("it was planned once");
            assert_eq!(again.plan, solved.plan, "seed {seed}");
        }
    }
}

#[test]
fn an_empty_shop_is_planned() {
    let problem = Problem::new(ProblemData::empty(Span::from_minutes(5), Time::from_minutes(600))).expect("no faults");
    let outcome = plan(&problem, &Options::default(), &Never, &|_| {});
    let Outcome::Optimal(solved) = outcome else { panic!("{outcome:?}") };
    assert_eq!(solved.plan, Plan::nothing_new(&problem));
}

#[test]
fn stopped_at_once_there_is_no_plan() {
    let flag = CancelFlag::new();
    flag.cancel();
    assert!(matches!(plan(&problem(1), &Options::default(), &flag, &|_| {}), Outcome::Unknown { .. }));
}

/// Stops at the poll of this number.
struct AtPoll(u64, AtomicU64);

impl Stop for AtPoll {
    fn should_stop(&self) -> bool {
        self.1.fetch_add(1, Ordering::Relaxed) >= self.0
    }
    fn used(&self) -> f64 {
        0.0
    }
}

#[test]
fn stopped_at_any_moment_the_plan_is_good() {
    for polls in [1, 2, 5, 8, 20, 100] {
        let problem = problem(7);
        let outcome = plan(&problem, &Options::default(), &AtPoll(polls, AtomicU64::new(0)), &|_| {});
        if let Some(solved) = outcome.solved() {
            verify(&problem, solved);
        }
    }
}

#[test]
fn progress_never_gets_worse() {
    let log = std::sync::Mutex::new(Vec::new());
    let outcome =
        plan(&problem(11), &options(2000), &Never, &|progress| log.lock().expect("one thread").push(*progress));
    let log = log.into_inner().expect("nobody panicked");
    assert!(log.windows(2).all(|pair| pair[1].price <= pair[0].price && pair[1].bound >= pair[0].bound));
    assert_eq!(log.last().and_then(|last| last.price), outcome.solved().map(|solved| solved.cost));
}

#[test]
fn what_cannot_be_done_is_left_out_and_the_rest_is_planned() {
    let mut found = 0;
    for seed in 0..16 {
        let problem = problem(seed);
        let Some(solved) = solve(&problem, &options(50)) else { continue };
        found += usize::from(!solved.left_out.is_empty() && solved.left_out.len() < problem.cars.len());
        for left_out in &solved.left_out {
            let planned =
                problem.operations_of(left_out.car).iter().filter(|id| solved.plan.operations[**id].is_some());
            let started = planned.filter(|id: &&OperationId| id.index() < problem.operations.len());
            assert!(started.count() < problem.operations_of(left_out.car).len());
        }
    }
    assert!(found > 0, "the generator makes cars that cannot be planned: {found}");
}

/// Whatever is switched off, plans keep the rules and bounds stay below every price that any of them finds.
#[test]
fn every_idea_can_be_left_out() {
    for seed in 0..12 {
        let problem = problem(2_000_000 + seed);
        let Some(whole) = solve(&problem, &options(200)) else { continue };
        let (mut least, mut bounds) = (whole.cost, vec![whole.bound]);
        for idea in Idea::ALL {
            let switches = Switches::default().without(idea);
            let options = Options { switches, start: Some(&whole.plan), ..options(100) };
            let solved = solve(&problem, &options).expect("it was planned with everything");
            verify(&problem, &solved);
            least = least.min(solved.cost);
            bounds.push(solved.bound);
        }
        let nothing = Options { switches: Idea::ALL.into_iter().collect(), ..options(100) };
        let solved = solve(&problem, &nothing).expect("a dispatch rule always plans");
        verify(&problem, &solved);
        assert!(bounds.iter().all(|&bound| bound <= least.min(solved.cost)), "seed {seed}: {bounds:?} above {least}");
        assert!(solved.bound <= least, "seed {seed}");
    }
}

/// A part that is switched off leaves no trace: no move of its name is tried, nothing is proven by it.
#[test]
fn what_is_left_out_does_nothing() {
    for seed in 0..12 {
        let problem = problem(seed);
        let compiled = Compiled::new(&problem);
        let mut schedule = Schedule::new(&compiled, Random::new(seed, 0));
        construct::construct(&mut schedule, construct::RULES[0]);
        let budget = Budget { stop: &Never, iterations: 200, pace: Pace::Iterations { from: 0.0, to: 1.0 } };
        for idea in [Idea::Neighbours, Idea::Person] {
            let mut search = Search::new(schedule.clone(), Random::new(seed, 1), Switches::default().without(idea));
            search.run(&budget);
            assert!(search.counts().all(|own| own.tried == 0 || own.name != idea.name()), "seed {seed}: {idea}");
        }
        let unproven: Switches = [Idea::Bound, Idea::Exact, Idea::Program].into_iter().collect();
        if let Some(solved) = solve(&problem, &Options { switches: unproven, ..options(100) }) {
            assert!(solved.bound <= compiled.trivial_bound().max(0), "seed {seed}");
        }
    }
}
