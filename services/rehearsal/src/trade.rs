//! Trade that is still to come: what a quote is worth when other cars come later and the shop plans anew for them.

use std::thread;

use fitup_model::keyed::{CarId, Key};
use fitup_model::{Fault, Plan, Problem, Span, Time};
use fitup_planner::random::Random;
use fitup_planner::replan::improved_plan;
use fitup_planner::{Idea, Never, Options, Switches};

use crate::future::{Futures, digest};
use crate::quote::{Policy, Quote, Unquotable};
use crate::replay::{by, replay_one};
use crate::weeks::world::{another, arrivals};

/// Cars come until so long after the last date of the quote.
const AFTER: Span = Span::from_minutes(2 * 1440);

/// What comes later has at least so long to be completed.
const ROOM: Span = Span::from_minutes(7 * 1440);

/// The trade that is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trade {
    /// Cars a week.
    pub per_week: f64,
    /// How many courses of it are looked at; the futures of the quote are shared out among them.
    pub courses: u64,
    /// Iterations of the plan that is made anew in each.
    pub iterations: u64,
    /// A minute in the shop counts at least this much for the cars that come.
    pub flow: i64,
}

impl Trade {
    /// Returns so many cars a week, looked at as the counter does: soon enough for who waits there.
    pub fn usual(per_week: f64) -> Trade {
        Trade { per_week, courses: 4, iterations: 500, flow: 0 }
    }
}

/// When the car is complete in each of some futures; `None` after the horizon.
type Ends = Vec<Option<Time>>;

/// What comes: cars like the first ones of a problem with the same people, bays and equipment.
pub struct Kinds<'k> {
    /// The problem.
    pub problem: &'k Problem,
    /// How many of its cars.
    pub count: usize,
    /// How long after its coming one of them is promised.
    pub lead: &'k (dyn Fn(CarId) -> Option<Span> + Sync),
}

/// Returns the dates of a quote, 50, 80 and 95 of 100, if other cars come after it, the shop plans anew for all of them, and
/// begins work ahead of its plan as the policy says. The quoted car is taken in with `promise`.
///
/// # Errors
/// See [`Unquotable`].
pub fn dates(
    problem: &Problem,
    quote: &Quote,
    car: CarId,
    promise: Option<Time>,
    policy: &Policy,
    trade: &Trade,
    kinds: &Kinds,
) -> Result<[Option<Time>; 3], Unquotable> {
    let last = quote.safe.unwrap_or(problem.horizon) + AFTER;
    let until = last.min(problem.horizon + -ROOM).max(problem.now);
    let courses = trade.courses.max(1);
    let made_from = Courses { problem, quote, car, promise, until, policy, trade, kinds };
    let workers = (policy.threads.max(1) as u64).min(courses);
    let mut found: Vec<(u64, Result<Ends, Vec<Fault>>)> = thread::scope(|scope| {
        let made_from = &made_from;
        let part = |first: u64| {
            move || {
                let own = (first..courses).step_by(workers as usize);
                own.map(|number| (number, made_from.ends(number))).collect::<Vec<_>>()
            }
        };
        let workers: Vec<_> = (0..workers).map(|first| scope.spawn(part(first))).collect();
        workers.into_iter().flat_map(|worker| worker.join().expect("a course does not panic")).collect()
    });
    found.sort_by_key(|(number, _)| *number);
    let mut ends = Vec::new();
    for (_, found) in found {
        ends.extend(found?);
    }
    ends.sort_by_key(|end| (end.is_none(), *end));
    Ok([0.5, 0.8, 0.95].map(|share| by(&ends, share)))
}

/// What courses are made from.
struct Courses<'c> {
    problem: &'c Problem,
    quote: &'c Quote,
    car: CarId,
    promise: Option<Time>,
    /// Cars come until then.
    until: Time,
    policy: &'c Policy,
    trade: &'c Trade,
    kinds: &'c Kinds<'c>,
}

impl Courses<'_> {
    /// Returns when the car is complete in the futures of the course of this number.
    fn ends(&self, number: u64) -> Result<Ends, Vec<Fault>> {
        let mut data = self.problem.clone().into_data();
        data.cars[self.car].promise = self.promise;
        let mut random = Random::new(self.policy.seed ^ number.wrapping_mul(0x9E37_79B9_7F4A_7C15), digest(&["trade"]));
        for (nth, time) in arrivals(&data, self.trade.per_week, self.until, &mut random).into_iter().enumerate() {
            let like = CarId::from_index(random.below(self.kinds.count.max(1)));
            another(self.kinds.problem, like, time, &format!("later-{}", nth + 1), &mut data);
            let new = CarId::from_index(data.cars.len() - 1);
            data.cars[new].promise = (self.kinds.lead)(like).map(|lead| time + lead);
            data.cars[new].flow_weight = data.cars[new].flow_weight.max(self.trade.flow);
        }
        let busy = Problem::new(data)?;
        let mut start = Plan::nothing_new(&busy);
        for (id, assignment) in self.quote.plan.operations.iter() {
            start.operations[id].clone_from(assignment);
        }
        for (id, bay) in self.quote.plan.bays.iter() {
            start.bays[id] = *bay;
        }
        let options = Options {
            seed: self.policy.seed + number,
            iterations: Some(self.trade.iterations),
            // What the tables of it cost is not saved in so few iterations.
            switches: Switches::default().without(Idea::Hope),
            ..Options::default()
        };
        let plan = improved_plan(&busy, &start, &options, &Never);
        let futures = Futures::new(&busy, self.policy.chances, self.policy.seed + 1 + number);
        let count = (self.policy.futures / self.trade.courses.max(1)).max(1);
        replay_one(&futures, &plan, self.policy.pull, self.car, count)
    }
}
