//! Runs the planner and holds every answer against what any answer must keep.

use std::sync::Mutex;
use std::time::{Duration, Instant};

use fitup_model::{Problem, check, cost};
use fitup_planner::{Options, Outcome, Progress, Stop, plan};

/// Stops after some time, so that a planner that would not end fails its test instead.
#[derive(Debug)]
pub struct Deadline {
    begin: Instant,
    after: Duration,
}

impl Deadline {
    /// Returns a stop `seconds` from now.
    pub fn after_seconds(seconds: u64) -> Deadline {
        Deadline { begin: Instant::now(), after: Duration::from_secs(seconds) }
    }
}

impl Stop for Deadline {
    fn should_stop(&self) -> bool {
        self.begin.elapsed() >= self.after
    }
    fn used(&self) -> f64 {
        0.0
    }
}

/// Plans `problem` on one thread with so many iterations, within `seconds`, and audits the answer.
pub fn planned(problem: &Problem, iterations: u64, seconds: u64) -> Outcome {
    let options = Options { iterations: Some(iterations), ..Options::default() };
    audited(problem, &options, &Deadline::after_seconds(seconds))
}

/// Plans `problem` and returns the answer.
///
/// # Panics
/// If the plan breaks a rule, its price is not what is said, the bound is above it, what is left out is not told, or the
/// reported progress ever goes back.
pub fn audited(problem: &Problem, options: &Options, stop: &dyn Stop) -> Outcome {
    let reports: Mutex<Vec<Progress>> = Mutex::new(Vec::new());
    let outcome = plan(problem, options, stop, &|progress| reports.lock().expect("no panic inside").push(*progress));
    let reports = reports.into_inner().expect("no panic inside");
    for pair in reports.windows(2) {
        assert!(pair[0].bound <= pair[1].bound, "the bound falls: {pair:?}");
        let worse = pair[0].price.is_some_and(|before| pair[1].price.is_none_or(|after| after > before));
        assert!(!worse, "the price rises: {pair:?}");
    }
    match &outcome {
        Outcome::Optimal(solved) | Outcome::Feasible(solved) => {
            assert_eq!(check(problem, &solved.plan), [], "the plan breaks rules");
            assert_eq!(solved.cost, cost::cost(problem, &solved.plan), "another price than the plan's");
            assert!(solved.bound <= solved.cost, "the bound {} is above the price {}", solved.bound, solved.cost);
            let left_out: Vec<_> = problem.cars.keys().filter(|&car| !solved.plan.includes(problem, car)).collect();
            assert_eq!(solved.left_out.iter().map(|left| left.car).collect::<Vec<_>>(), left_out, "left out");
            for progress in &reports {
                assert!(progress.bound <= solved.cost, "{progress:?}, and then a plan for {}", solved.cost);
                assert!(
                    progress.price.is_none_or(|price| price >= solved.cost),
                    "a better plan was lost: {progress:?}"
                );
            }
            if matches!(outcome, Outcome::Optimal(_)) {
                assert_eq!(solved.bound, solved.cost, "optimal, and the bound is below the price");
            }
        }
        // Facts are exempt from all rules: to plan nothing new is always a plan.
        Outcome::Infeasible(violations) => panic!("infeasible: {violations:?}"),
        Outcome::Unknown { .. } => {}
    }
    outcome
}
