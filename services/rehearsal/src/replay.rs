//! A plan played under many futures.

use std::thread;

use fitup_model::keyed::{CarId, KeyedVec};
use fitup_model::problem::Commitment;
use fitup_model::repair::{pushed_right, without_new_overtime};
use fitup_model::{Fault, Plan, Problem, Span, Time};
use fitup_planner::compile::Variation;
use fitup_planner::push::Pusher;
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

/// When each car is complete, in the futures that were played, ascending; `None` after the horizon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Completions {
    of: KeyedVec<CarId, Vec<Option<Time>>>,
}

impl Completions {
    /// Returns the time by which `car` is complete in a share of the futures; `None` if that is after the horizon.
    pub fn by(&self, car: CarId, share: f64) -> Option<Time> {
        by(&self.of[car], share)
    }

    /// Returns when `car` is complete in each of the futures, ascending; `None` after the horizon.
    pub fn of(&self, car: CarId) -> &[Option<Time>] {
        &self.of[car]
    }

    /// Returns the share of the futures in which `car` is complete by `time`; 0 of no future.
    pub fn share_by(&self, car: CarId, time: Time) -> f64 {
        let of = &self.of[car];
        let met = of.partition_point(|end| end.is_some_and(|end| end <= time));
        met as f64 / of.len().max(1) as f64
    }
}

/// Returns the time by which a share of `sorted` completions has happened; `None` if that is after the horizon.
pub(crate) fn by(sorted: &[Option<Time>], share: f64) -> Option<Time> {
    let minutes = |time: &Option<Time>| time.map_or(f64::INFINITY, |time| time.minutes() as f64);
    let sorted: Vec<f64> = sorted.iter().map(minutes).collect();
    let value = quantile(&sorted, share).filter(|value| value.is_finite())?;
    Some(Time::from_minutes(value.ceil() as i64))
}

/// Plays `plan` in the futures `0..count`, on so many threads, which change nothing of the answer.
///
/// By the same rules as [`play`], but on a problem that is compiled once and only varied, and without looking for a place
/// for cars that the plan leaves out. The checker is not asked each time; a test asks it.
///
/// # Errors
/// See [`Futures::loosened`].
pub fn replay(futures: &Futures, plan: &Plan, count: u64, threads: usize) -> Result<Completions, Vec<Fault>> {
    replay_pulled(futures, plan, Span::ZERO, count, threads)
}

/// Returns when one car is complete in the futures `0..count`, in their order; `None` after the horizon. As [`replay_pulled`]
/// has it, but only what can come before the car is played.
///
/// # Errors
/// See [`Futures::loosened`].
pub fn replay_one(
    futures: &Futures,
    plan: &Plan,
    pull: Span,
    car: CarId,
    count: u64,
) -> Result<Vec<Option<Time>>, Vec<Fault>> {
    let tied = tied(futures, &earlier(futures.problem(), plan, pull))?;
    let mut pusher = Pusher::new(&tied, plan).for_one(car);
    Ok((0..count).map(|number| pusher.completion(&futures.variation(number), car)).collect())
}

/// Does the same in a shop that begins work up to `pull` before its published start, if all is there for it and it is its turn.
///
/// # Errors
/// See [`Futures::loosened`].
pub fn replay_pulled(
    futures: &Futures,
    plan: &Plan,
    pull: Span,
    count: u64,
    threads: usize,
) -> Result<Completions, Vec<Fault>> {
    replay_varied(futures, plan, pull, &Luck::new(futures, count, 0, threads), threads)
}

/// So many futures are remembered at most: 1,000 of them take 4 MB in a shop of 40 cars.
pub const REMEMBERED: u64 = 2000;

/// What is otherwise in each of some futures. It is the same for every drop-off of a car, as for every plan.
#[derive(Debug, Clone)]
pub struct Luck {
    count: u64,
    drawn: Vec<Variation>,
}

impl Luck {
    /// Draws the first `remembered` of the futures `0..count` now, and the others each time.
    pub fn new(futures: &Futures, count: u64, remembered: u64, threads: usize) -> Luck {
        let remembered = remembered.min(count);
        let part = remembered.div_ceil(threads.max(1) as u64).max(1);
        let drawn = thread::scope(|scope| {
            let draw =
                |first: u64| move || (first..remembered.min(first + part)).map(|number| futures.variation(number));
            let firsts = (0..remembered).step_by(part as usize);
            let workers: Vec<_> = firsts.map(|first| scope.spawn(move || draw(first)().collect::<Vec<_>>())).collect();
            workers.into_iter().flat_map(|worker| worker.join().expect("luck does not panic")).collect()
        });
        Luck { count, drawn }
    }
}

/// Does the same as [`replay_pulled`] in futures of which some are drawn already. They are those of another drop-off of a car at
/// most: the same operations of the same problem.
///
/// # Errors
/// See [`Futures::loosened`].
pub fn replay_varied(
    futures: &Futures,
    plan: &Plan,
    pull: Span,
    luck: &Luck,
    threads: usize,
) -> Result<Completions, Vec<Fault>> {
    let tied = tied(futures, &earlier(futures.problem(), plan, pull))?;
    let threads = threads.max(1) as u64;
    let made = Pusher::new(&tied, plan);
    let same = |drawn: &&Variation| drawn.work.len() == tied.operations.len();
    let played: Vec<Vec<Ends>> = thread::scope(|scope| {
        let part = |first: u64| {
            let mut pusher = made.clone();
            move || {
                let numbers = (first..luck.count).step_by(threads as usize);
                let play = |number: u64| match luck.drawn.get(number as usize).filter(same) {
                    Some(drawn) => pusher.completions(drawn),
                    None => pusher.completions(&futures.variation(number)),
                };
                numbers.map(play).collect::<Vec<Ends>>()
            }
        };
        let workers: Vec<_> = (0..threads).map(|first| scope.spawn(part(first))).collect();
        workers.into_iter().map(|worker| worker.join().expect("a replay does not panic")).collect()
    });
    let mut of: Vec<Ends> = vec![Vec::new(); tied.cars.len()];
    for ends in played.into_iter().flatten() {
        for (all, end) in of.iter_mut().zip(ends) {
            all.push(end);
        }
    }
    for all in &mut of {
        all.sort_by_key(|end| (end.is_none(), *end));
    }
    Ok(Completions { of: of.into() })
}

/// Returns the problem with everything tied to the people, the bays and the overtime of `plan`, as [`replay`] plays it.
///
/// # Errors
/// See [`Futures::loosened`].
pub fn tied(futures: &Futures, plan: &Plan) -> Result<Problem, Vec<Fault>> {
    Ok(pushed_right(&without_new_overtime(&futures.loosened()?, Some(plan)), plan))
}

/// Returns the plan with everything earlier that has not started, and nothing before now.
fn earlier(problem: &Problem, plan: &Plan, by: Span) -> Plan {
    let mut plan = plan.clone();
    for (id, operation) in problem.operations.iter() {
        if let (Some(assignment), false) =
            (&mut plan.operations[id], matches!(operation.commitment, Commitment::Started { .. }))
        {
            let start = (assignment.start + -by).max(problem.now.min(assignment.start));
            (assignment.end, assignment.start) = (start + (assignment.end - assignment.start), start);
        }
    }
    plan
}

/// When each car is complete in one future.
type Ends = Vec<Option<Time>>;
