//! The one loop: builds first plans, then shares the budget among search and proof in rounds, until the plan is proven
//! good enough or somebody says stop.
//!
//! Threads work apart for a round and exchange what they found at its end, in the order of their numbers. With an
//! iteration limit a round is a number of iterations and so depends on nothing but the problem, the seed, the number of
//! threads and the limit; otherwise it is a share of the time.
//!
//! Proof joins in through [`Prover`]: one that is registered in [`provers`] gets a thread of its own in its rounds.

use fitup_model::{Cost, Plan, check, cost};

use crate::Options;
use crate::compile::Compiled;
use crate::construct;
use crate::improve::{Budget, Search};
use crate::left_out::left_out;
use crate::outcome::{Outcome, Phase, Progress, Solved, gap};
use crate::prove::Proof;
use crate::random::Random;
use crate::schedule::{Schedule, Snapshot};
use crate::stop::Stop;
use crate::switches::{Idea, Switches};

/// Rounds into which a time budget is cut.
const ROUNDS: u32 = 48;

/// Every so many rounds the threads go on from the best plan of all.
const EXCHANGE: u32 = 4;

/// Iterations of the first cycle of annealing where no budget is known; each one is twice as long as the one before.
const FIRST_CYCLE: u64 = 1 << 16;

/// Work that proves rather than searches.
///
/// It may depend on the compiled problem, on what it is told about the best plan, and on its own state, never on the
/// clock, if the limit is on iterations.
pub trait Prover: Send {
    /// What progress is reported as.
    fn phase(&self) -> Phase;

    /// Works for a while beside the search threads of a round.
    fn round(&mut self, view: &View) -> Found;
}

/// What a prover is told at the beginning of a round.
pub struct View<'v> {
    /// The best plan so far.
    pub best: &'v Snapshot,
    /// When to stop.
    pub stop: &'v dyn Stop,
    /// Where time is known: the share of it that is used at the end of the round. Otherwise a round is a fixed amount of
    /// work.
    pub until: Option<f64>,
}

/// What came of a round of a prover.
#[derive(Debug, Default)]
pub struct Found {
    /// A lower bound for every plan.
    pub bound: Option<Cost>,
    /// A better plan.
    pub plan: Option<Snapshot>,
    /// It has nothing more to say.
    pub finished: bool,
}

/// Returns the provers to run beside the search.
fn provers<'c>(compiled: &'c Compiled<'c>, switches: Switches) -> Vec<Box<dyn Prover + 'c>> {
    vec![Box::new(Proof::new(compiled, switches))]
}

/// Plans `compiled`; see [`crate::plan`].
pub fn run<'c>(
    compiled: &'c Compiled<'c>,
    options: &Options,
    stop: &dyn Stop,
    on_progress: &(dyn Fn(&Progress) + Sync),
) -> Outcome {
    let mut bound = compiled.trivial_bound();
    let facts = Schedule::new(compiled, Random::new(options.seed, 0));
    let facts_alone = check(compiled.problem, &facts.to_plan());
    if !facts_alone.is_empty() {
        return Outcome::Infeasible(facts_alone);
    }
    let Some(first) = first_plans(&facts, options, stop) else { return Outcome::Unknown { bound } };
    let mut best = first[0].clone();
    let report = |phase, price, bound| on_progress(&Progress { phase, price: Some(price), bound });
    report(Phase::Construct, best.cost, bound);

    let threads = options.threads.max(1);
    let mut searches: Vec<Search> = (0..threads)
        .map(|thread| {
            let mut schedule = facts.clone();
            schedule.load(&best);
            Search::new(schedule, Random::new(options.seed, thread as u64 + 1), options.switches)
        })
        .collect();
    let mut provers = provers(compiled, options.switches);
    let mut rounds = Rounds::new(options.iterations, threads as u64);
    let mut iterations = 0;
    while gap(best.cost, bound) > options.gap && !stop.should_stop() {
        let Some(budget) = rounds.next(stop) else { break };
        let view = View { best: &best, stop, until: budget.by_iterations.is_none().then_some(budget.until) };
        let (done, found) = round(&mut searches, &mut provers, &budget, &view);
        iterations += done;
        let before = (best.cost, bound);
        for search in &searches {
            if search.best.cost < best.cost {
                best.clone_from(&search.best);
            }
        }
        let mut phase = Phase::Improve;
        for (own, found) in found {
            if found.bound.is_some_and(|own| own > bound) {
                (bound, phase) = (found.bound.unwrap_or(bound).min(best.cost), own);
            }
            if let Some(plan) = found.plan.filter(|plan| plan.cost < best.cost) {
                (best, phase) = (plan, own);
            }
        }
        if (best.cost, bound) != before {
            report(phase, best.cost, bound);
        }
        if rounds.exchanges() && options.switches.uses(Idea::Exchange) {
            for search in &mut searches {
                if search.best.cost > best.cost || rounds.begins_cycle() {
                    search.adopt(&best);
                }
            }
        }
        if done == 0 && provers.is_empty() {
            break;
        }
    }
    let end = finish(&facts, &first[0], &best, bound, iterations);
    match options.start.filter(|_| options.switches.uses(Idea::WarmStart)) {
        Some(start) => no_worse_than(start, end, &facts),
        None => end,
    }
}

/// Returns `end`, or the start if that is a better plan: its repair may fail to put every car back where it was.
fn no_worse_than(start: &Plan, end: Outcome, facts: &Schedule) -> Outcome {
    let problem = facts.compiled.problem;
    let Outcome::Feasible(found) = &end else { return end };
    if !check(problem, start).is_empty() {
        return end;
    }
    let cost = cost::cost(problem, start);
    if cost >= found.cost {
        return end;
    }
    let left_out = left_out(facts, start);
    let solved =
        Solved { plan: start.clone(), cost, bound: found.bound.min(cost), left_out, iterations: found.iterations };
    if solved.bound == cost { Outcome::Optimal(solved) } else { Outcome::Feasible(solved) }
}

/// Runs every search and every prover for a round, each in a thread of its own.
fn round<'c>(
    searches: &mut [Search<'c>],
    provers: &mut Vec<Box<dyn Prover + 'c>>,
    budget: &Budget,
    view: &View<'_>,
) -> (u64, Vec<(Phase, Found)>) {
    if searches.len() == 1 && provers.is_empty() {
        return (searches[0].run(budget), Vec::new());
    }
    let mut found = Vec::new();
    let mut done = 0;
    std::thread::scope(|scope| {
        let proving: Vec<_> =
            provers.iter_mut().map(|prover| scope.spawn(|| (prover.phase(), prover.round(view)))).collect();
        let searching: Vec<_> = searches.iter_mut().map(|search| scope.spawn(|| search.run(budget))).collect();
        done = searching.into_iter().map(|thread| thread.join().expect("a search does not panic")).sum();
        found.extend(proving.into_iter().map(|thread| thread.join().expect("a prover does not panic")));
    });
    let mut position = 0;
    provers.retain(|_| {
        position += 1;
        !found[position - 1].1.finished
    });
    (done, found)
}

/// Returns the plans of the dispatch rules and the repaired start, best first; `None` if stopped before there is one.
fn first_plans(facts: &Schedule, options: &Options, stop: &dyn Stop) -> Option<Vec<Snapshot>> {
    let mut plans = Vec::new();
    let mut keep = |mut schedule: Schedule| {
        let cost = schedule.cost();
        plans.push(schedule.snapshot(cost));
    };
    if stop.should_stop() {
        return None;
    }
    if let Some(start) = options.start.filter(|_| options.switches.uses(Idea::WarmStart)) {
        let mut schedule = facts.clone();
        construct::repair(&mut schedule, start);
        keep(schedule);
    }
    let rules = if options.switches.uses(Idea::Rules) { construct::RULES.len() } else { 1 };
    for &rule in &construct::RULES[..rules] {
        let mut schedule = facts.clone();
        construct::construct(&mut schedule, rule);
        keep(schedule);
        if stop.should_stop() {
            break;
        }
    }
    // The sort is stable: of equal plans the repaired start stays first.
    plans.sort_by_key(|plan| plan.cost);
    Some(plans)
}

/// Checks the best plan and returns it; the first one in its place if the check finds a fault of the planner.
fn finish(facts: &Schedule, first: &Snapshot, best: &Snapshot, bound: Cost, iterations: u64) -> Outcome {
    let problem = facts.compiled.problem;
    for snapshot in [best, first] {
        let mut schedule = facts.clone();
        schedule.load(snapshot);
        let plan = schedule.to_plan();
        let violations = check(problem, &plan);
        let cost = cost::cost(problem, &plan);
        debug_assert!(violations.is_empty(), "the planner broke a rule: {violations:?}");
        debug_assert_eq!(cost, snapshot.cost, "the planner's price is that of the model");
        if violations.is_empty() {
            let solved =
                Solved { cost, bound: bound.min(cost), left_out: left_out(&schedule, &plan), plan, iterations };
            return if cost <= bound { Outcome::Optimal(solved) } else { Outcome::Feasible(solved) };
        }
    }
    Outcome::Unknown { bound }
}

/// Cuts the budget into rounds.
struct Rounds {
    limit: Option<u64>,
    threads: u64,
    number: u32,
    done: u64,
    /// Iterations of the current cycle, where neither time nor a limit is known, and of it those done.
    cycle: (u64, u64),
}

impl Rounds {
    fn new(limit: Option<u64>, threads: u64) -> Rounds {
        Rounds { limit, threads, number: 0, done: 0, cycle: (FIRST_CYCLE, 0) }
    }

    /// Returns the budget of the next round; `None` when the limit is reached.
    fn next<'s>(&mut self, stop: &'s dyn Stop) -> Option<Budget<'s>> {
        self.number += 1;
        if let Some(limit) = self.limit {
            if self.done >= limit {
                return None;
            }
            let all = limit.div_ceil(u64::from(ROUNDS)).min(limit - self.done);
            let iterations = all.div_ceil(self.threads);
            let from = self.done as f64 / limit as f64;
            self.done += iterations * self.threads;
            let to = self.done as f64 / limit as f64;
            return Some(Budget { stop, iterations, by_iterations: Some((from, to.min(1.0))), until: 1.0 });
        }
        let used = stop.used();
        if used > 0.0 {
            let until = used + 1.0 / f64::from(ROUNDS);
            return Some(Budget { stop, iterations: u64::MAX, by_iterations: None, until });
        }
        if self.cycle.1 >= self.cycle.0 {
            self.cycle = (self.cycle.0 * 2, 0);
        }
        let iterations = self.cycle.0 / u64::from(ROUNDS);
        let share = |done: u64| done as f64 / self.cycle.0 as f64;
        let by_iterations = Some((share(self.cycle.1), share(self.cycle.1 + iterations).min(1.0)));
        self.cycle.1 += iterations;
        Some(Budget { stop, iterations, by_iterations, until: 1.0 })
    }

    /// Tells whether the threads go on from the best plan of all now.
    fn exchanges(&self) -> bool {
        self.number.is_multiple_of(EXCHANGE) || self.begins_cycle()
    }

    /// Tells whether a new cycle of annealing begins.
    fn begins_cycle(&self) -> bool {
        self.limit.is_none() && self.cycle.1 >= self.cycle.0
    }
}
