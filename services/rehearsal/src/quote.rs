//! When a car that is not in the plan yet would be complete, and what it would do to the others.

use fitup_model::delays::{ChainDelay, delays};
use fitup_model::keyed::CarId;
use fitup_model::problem::ReadyReason;
use fitup_model::repair::without_new_overtime;
use fitup_model::{Cost, Fault, Plan, Problem, Span, Time, check, cost};
use fitup_planner::beside::beside;
use fitup_planner::push::without;
use fitup_planner::replan::{improved, push_right};
use fitup_planner::{LeftOut, Never, Options};

use crate::chances::Chances;
use crate::future::Futures;
use crate::replay::{Completions, Luck, REMEMBERED, replay_varied};

/// A promise counts as endangered if the share of the futures in which it is kept falls by more than this.
pub const ENDANGERED: f64 = 0.05;

/// How a quote is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Policy {
    /// What can happen.
    pub chances: Chances,
    /// Futures that are played, with and without the car.
    pub futures: u64,
    /// Threads; they change nothing of the answer.
    pub threads: usize,
    /// Start of the random numbers.
    pub seed: u64,
    /// How often a place is looked for beside the others.
    pub trials: u64,
    /// Iterations of a search that may move the others too; `None` leaves them where they are.
    pub disturb: Option<u64>,
    /// Work begins so long before its published start at most, where all is there for it.
    pub pull: Span,
}

impl Default for Policy {
    fn default() -> Policy {
        Policy {
            chances: Chances::default(),
            futures: 1000,
            threads: 1,
            seed: 1,
            trials: 200,
            disturb: None,
            pull: Span::ZERO,
        }
    }
}

/// What a car is told, and what that rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Quote {
    /// The plan with the car in it; it has passed the checker.
    pub plan: Plan,
    /// When it is complete if everything takes what is booked.
    pub earliest: Time,
    /// By when in half of the futures; `None` is after the horizon, here and below.
    pub likely: Option<Time>,
    /// By when in 80 of 100.
    pub p80: Option<Time>,
    /// By when in 95 of 100.
    pub safe: Option<Time>,
    /// What decides when it is complete, the longest stretch first.
    pub chain: Vec<ChainDelay>,
    /// Parts that it waits for, with when the first work that needs them is planned, in order of that.
    pub parts: Vec<(String, Time)>,
    /// The promises that it endangers, the worst first.
    pub endangered: Vec<Endangered>,
    /// The cars that it moves, if it may.
    pub moved: Vec<Moved>,
    /// The cars that have no place in the plan.
    pub left_out: Vec<LeftOut>,
    /// What the plan costs more with it, its own lateness and time in the shop not counted: what it does to the others,
    /// overtime, room outside.
    pub price: Cost,
}

/// A promise that is kept less often with the quoted car than without it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Endangered {
    /// Whose.
    pub car: CarId,
    /// The share of the futures in which it is kept without the car.
    pub before: f64,
    /// And with it.
    pub after: f64,
}

/// A car that is complete at another time, by plan, with the quoted car than without it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moved {
    /// Which.
    pub car: CarId,
    /// When without; `None` if it has no place in the plan, here and below.
    pub before: Option<Time>,
    /// When with it.
    pub after: Option<Time>,
}

/// Why there is no quote.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unquotable {
    /// The car finds no place before the horizon.
    NoRoom,
    /// The futures of the problem are none.
    Faults(Vec<Fault>),
}

impl From<Vec<Fault>> for Unquotable {
    fn from(faults: Vec<Fault>) -> Unquotable {
        Unquotable::Faults(faults)
    }
}

/// The shop without the car: the same for every drop-off of it.
#[derive(Debug, Clone)]
pub struct Before {
    completions: Completions,
    luck: Luck,
}

/// Plays the plan without `car`, once for all drop-offs of it.
///
/// # Errors
/// See [`Unquotable`].
pub fn before(problem: &Problem, published: &Plan, car: CarId, policy: &Policy) -> Result<Before, Unquotable> {
    let (plan, _) = standing(problem, published, car);
    let futures = Futures::new(problem, policy.chances, policy.seed);
    let luck = Luck::new(&futures, policy.futures, REMEMBERED, policy.threads);
    Ok(Before { completions: played(problem, &plan, policy, &luck)?, luck })
}

/// Quotes for `car`, which arrives as `problem` says and is not in `published`.
///
/// The other cars stay where the published plan has them, moved back only as far as the facts push them, unless the policy
/// lets a search move them.
///
/// # Errors
/// See [`Unquotable`].
pub fn quote(problem: &Problem, published: &Plan, car: CarId, policy: &Policy) -> Result<Quote, Unquotable> {
    quote_beside(problem, published, car, policy, &before(problem, published, car, policy)?)
}

/// Does the same with what [`before`] returned for another drop-off of the same car.
///
/// # Errors
/// See [`Unquotable`].
pub fn quote_beside(
    problem: &Problem,
    published: &Plan,
    car: CarId,
    policy: &Policy,
    before: &Before,
) -> Result<Quote, Unquotable> {
    let (standing, left_out) = standing(problem, published, car);
    let regular = without_new_overtime(problem, Some(&standing));
    let undisturbed = beside(&regular, &standing, car, policy.trials, policy.seed);
    let undisturbed = undisturbed.filter(|plan| check(problem, plan).is_empty());
    let plan = match policy.disturb {
        None => undisturbed.ok_or(Unquotable::NoRoom)?,
        Some(iterations) => disturbed(problem, undisturbed.as_ref().unwrap_or(&standing), iterations, policy.seed),
    };
    let earliest = plan.completion(problem, car).ok_or(Unquotable::NoRoom)?;
    let after = played(problem, &plan, policy, &before.luck)?;
    let moved: Vec<Moved> = problem
        .cars
        .keys()
        .filter(|other| *other != car)
        .map(|other| Moved {
            car: other,
            before: standing.completion(problem, other),
            after: plan.completion(problem, other),
        })
        .filter(|moved| moved.before != moved.after)
        .collect();
    Ok(Quote {
        earliest,
        likely: after.by(car, 0.5),
        p80: after.by(car, 0.8),
        safe: after.by(car, 0.95),
        chain: delays(problem, &plan, car),
        parts: parts(problem, &plan, car),
        endangered: endangered(problem, car, &before.completions, &after),
        price: price_to_others(problem, &plan, car) - price_to_others(problem, &standing, car),
        moved,
        left_out: left_out.into_iter().filter(|left| !plan.includes(problem, left.car)).collect(),
        plan,
    })
}

/// Returns the published plan as the facts leave it, without the car, and the cars that find no place.
fn standing(problem: &Problem, published: &Plan, car: CarId) -> (Plan, Vec<LeftOut>) {
    let (plan, left_out) = push_right(problem, &without(problem, published, car));
    (without(problem, &plan, car), left_out)
}

fn disturbed(problem: &Problem, start: &Plan, iterations: u64, seed: u64) -> Plan {
    let options = Options { seed, iterations: Some(iterations), start: Some(start), ..Options::default() };
    let found = improved(problem, start, &options, &Never).plan;
    let good = check(problem, &found).is_empty() && cost::cost(problem, &found) <= cost::cost(problem, start);
    if good { found } else { start.clone() }
}

fn played(problem: &Problem, plan: &Plan, policy: &Policy, luck: &Luck) -> Result<Completions, Unquotable> {
    let futures = Futures::new(problem, policy.chances, policy.seed);
    Ok(replay_varied(&futures, plan, policy.pull, luck, policy.threads)?)
}

/// Returns the price of a plan without what the car itself costs by being late or long in the shop.
fn price_to_others(problem: &Problem, plan: &Plan, car: CarId) -> Cost {
    let mut data = problem.clone().into_data();
    data.left_out_price = 0;
    data.cars[car].late_weight = 0;
    data.cars[car].flow_weight = 0;
    // A car left out with or without the quoted one costs the same either way; one that loses its place does not.
    let out = problem.cars.keys().filter(|other| *other != car && !plan.includes(problem, *other)).count();
    let free = Problem::new(data).expect("a problem with other prices is one");
    cost::cost(&free, plan) + out as Cost * problem.left_out_price
}

fn parts(problem: &Problem, plan: &Plan, car: CarId) -> Vec<(String, Time)> {
    let mut parts: Vec<(String, Time)> = Vec::new();
    for &id in problem.operations_of(car) {
        let Some(start) = plan.operations[id].as_ref().map(|assignment| assignment.start) else { continue };
        for ready in &problem.operations[id].ready {
            let ReadyReason::Part(name) = &ready.reason else { continue };
            match parts.iter_mut().find(|(other, _)| other == name) {
                Some((_, first)) => *first = start.min(*first),
                None => parts.push((name.clone(), start)),
            }
        }
    }
    parts.sort_by_key(|(_, start)| *start);
    parts
}

fn endangered(problem: &Problem, car: CarId, before: &Completions, after: &Completions) -> Vec<Endangered> {
    let mut found = Vec::new();
    for (other, data) in problem.cars.iter().filter(|(other, _)| *other != car) {
        let Some(promise) = data.promise else { continue };
        let (old, new) = (before.share_by(other, promise), after.share_by(other, promise));
        let passes = old >= 0.8 && new < 0.8;
        if old - new > ENDANGERED || passes {
            found.push(Endangered { car: other, before: old, after: new });
        }
    }
    found.sort_by(|a, b| (b.before - b.after).total_cmp(&(a.before - a.after)).then(a.car.cmp(&b.car)));
    found
}
