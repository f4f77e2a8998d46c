//! A plan played under many futures.

use std::thread;

use fitup_model::keyed::{CarId, KeyedVec};
use fitup_model::repair::without_new_overtime;
use fitup_model::{Fault, Plan, Problem, Time};
use fitup_planner::replan::push_right;

use crate::future::Futures;
use crate::quantile::quantile;

/// What became of a plan in one future.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct History {
    /// The future as a problem; `plan` keeps its rules.
    pub problem: Problem,
    /// What was done when and by whom.
    pub plan: Plan,
}

/// Plays `plan` in the future `number`: everybody and every bay keeps to the order of the plan, nothing starts before its
/// published start, and what cannot start then moves back until it can. Overtime is
/// open where the plan works it, and nowhere else.
///
/// # Errors
/// See [`Futures::future`].
pub fn play(futures: &Futures, plan: &Plan, number: u64) -> Result<History, Vec<Fault>> {
    // In an hour of overtime that nobody opened work stands still: it is no working time of this future at all.
    let problem = without_new_overtime(&futures.future(number)?, Some(plan));
    let (plan, _) = push_right(&problem, plan);
    Ok(History { problem, plan })
}

/// When each car is complete in one future.
type Ends = Vec<Option<Time>>;

/// When each car is complete, in the futures that were played, ascending; `None` after the horizon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Completions {
    of: KeyedVec<CarId, Vec<Option<Time>>>,
}

impl Completions {
    /// Returns the time by which `car` is complete in a share of the futures; `None` if that is after the horizon.
    pub fn by(&self, car: CarId, share: f64) -> Option<Time> {
        let minutes = |time: &Option<Time>| time.map_or(f64::INFINITY, |time| time.minutes() as f64);
        let sorted: Vec<f64> = self.of[car].iter().map(minutes).collect();
        let value = quantile(&sorted, share).filter(|value| value.is_finite())?;
        Some(Time::from_minutes(value.ceil() as i64))
    }
}

/// Plays `plan` in the futures `0..count`, on so many threads, which change nothing of the answer.
///
/// # Errors
/// See [`Futures::future`].
pub fn replay(futures: &Futures, plan: &Plan, count: u64, threads: usize) -> Result<Completions, Vec<Fault>> {
    let threads = threads.max(1) as u64;
    let played: Vec<Result<Vec<Ends>, Vec<Fault>>> = thread::scope(|scope| {
        let part =
            |first: u64| move || (first..count).step_by(threads as usize).map(|n| ends(futures, plan, n)).collect();
        let workers: Vec<_> = (0..threads).map(|first| scope.spawn(part(first))).collect();
        workers.into_iter().map(|worker| worker.join().expect("a replay does not panic")).collect()
    });
    let mut of: Vec<Ends> = Vec::new();
    for history in played.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten() {
        of.resize(history.len(), Vec::new());
        for (all, end) in of.iter_mut().zip(history) {
            all.push(end);
        }
    }
    for all in &mut of {
        all.sort_by_key(|end| (end.is_none(), *end));
    }
    Ok(Completions { of: of.into() })
}

fn ends(futures: &Futures, plan: &Plan, number: u64) -> Result<Ends, Vec<Fault>> {
    let history = play(futures, plan, number)?;
    Ok(history.problem.cars.keys().map(|car| history.plan.completion(&history.problem, car)).collect())
}
