//! The one loop: builds first plans, then shares threads and budget between search and proof, until the plan is proven
//! good enough or somebody says stop.
//!
//! There are as many searches as threads, and two proofs (bound and exact search, and targets near the bound to refute), one of
//! which goes before them. Where a proof gains little it rests for some turns; towards the end, when small steps gain little,
//! exact neighbourhoods join in. All take turns at the threads that there are. With an iteration limit all go in step: a round is a number of iterations, what comes of it is looked at in the
//! order of the threads, and so the plan depends on nothing but the problem, the seed, the number of threads and the limit. Otherwise nobody waits for another, and a round is a share of the time.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread::Scope;

use fitup_model::{Cost, Plan, check, cost};

use crate::Options;
use crate::bound::Prices;
use crate::compile::Compiled;
use crate::construct;
use crate::improve::{Budget, Pace, Search};
use crate::left_out::left_out;
use crate::neighbourhood::Neighbourhoods;
use crate::outcome::{Outcome, Phase, Progress, Solved, gap};
use crate::prove::raise::Raise;
use crate::prove::{Found, Proof, Turn};
use crate::random::Random;
use crate::rounds::{ROUNDS, Rounds, turn_by_the_clock};
use crate::schedule::{Schedule, Snapshot};
use crate::stop::{Never, Stop};
use crate::switches::Idea;
use crate::team::{Done, Task, Team, Worker};

/// Iterations of one search for which the proof looks once at all cars, and for which exact search meets one conflict,
/// where they go in step: about as long as these take. And the least of both in a round, which is soon done where it is
/// enough for a proof.
const ITERATIONS_A_LOOK: u64 = 200;
const ITERATIONS_A_CONFLICT: u64 = 20;
const LEAST_LOOKS: u64 = 20;
const LEAST_CONFLICTS: u64 = 400;

/// Exact neighbourhoods begin when this share of the budget is used and there were so many iterations for each operation:
/// before, plans get better faster by small steps.
const RIPE: (f64, u64) = (0.8, 1_500);

/// From this share of the last cycle of annealing on, searches that lag behind go on from the best plan.
const LATE: f64 = 0.7;

/// Plans `compiled`; see [`crate::plan`].
pub fn run<'c>(
    compiled: &'c Compiled<'c>,
    options: &Options,
    stop: &dyn Stop,
    on_progress: &(dyn Fn(&Progress) + Sync),
) -> Outcome {
    let bound = compiled.trivial_bound();
    let facts = Schedule::new(compiled, Random::new(options.seed, 0));
    let facts_alone = check(compiled.problem, &facts.to_plan());
    if !facts_alone.is_empty() {
        return Outcome::Infeasible(facts_alone);
    }
    let Some(first) = first_plan(&facts, options, stop) else { return Outcome::Unknown { bound } };
    let halt = Halt { outer: stop, done: AtomicBool::new(false) };
    let mut lead = Lead {
        facts: &facts,
        options,
        on_progress,
        halt: &halt,
        best: first.clone(),
        bound,
        iterations: 0,
        prices: Prices::default(),
    };
    lead.report(Phase::Construct);
    let rounds = Rounds::new(options.iterations, stop);
    if !lead.is_done() {
        match rounds.by_time() {
            true => lead.by_the_clock(rounds),
            false => lead.in_step(rounds),
        }
    }
    let end = finish(&facts, &first, &lead.best, lead.bound, (lead.iterations, lead.prices));
    match options.start.filter(|_| options.switches.uses(Idea::WarmStart)) {
        Some(start) => no_worse_than(start, end, &facts),
        None => end,
    }
}

/// Stops when asked to, or when nothing is left to do.
struct Halt<'s> {
    outer: &'s dyn Stop,
    done: AtomicBool,
}

impl Stop for Halt<'_> {
    fn should_stop(&self) -> bool {
        self.done.load(Ordering::Relaxed) || self.outer.should_stop()
    }
    fn used(&self) -> f64 {
        self.outer.used()
    }
    fn seconds_left(&self) -> Option<f64> {
        self.outer.seconds_left()
    }
}

/// What is known so far, and to whom it is told.
struct Lead<'l, 'c> {
    facts: &'l Schedule<'c>,
    options: &'l Options<'l>,
    on_progress: &'l (dyn Fn(&Progress) + Sync),
    halt: &'l Halt<'l>,
    best: Snapshot,
    bound: Cost,
    iterations: u64,
    /// What hours are worth, by the last words of the proof.
    prices: Prices,
}

impl<'c> Lead<'_, 'c> {
    fn report(&self, phase: Phase) {
        (self.on_progress)(&Progress { phase, price: Some(self.best.cost), bound: self.bound });
    }

    fn is_done(&self) -> bool {
        gap(self.best.cost, self.bound) <= self.options.gap || self.halt.should_stop()
    }

    fn threads(&self) -> usize {
        self.options.threads.max(1)
    }

    /// Returns the search with this number, or neighbourhoods, at the best plan.
    fn hand(&self, number: usize, free: bool) -> Worker<'c> {
        let mut schedule = self.facts.clone();
        schedule.load(&self.best);
        let random = Random::new(self.options.seed, number as u64 + 1);
        if free {
            let best = self.best.clone();
            return Worker::Free(Box::new(Neighbourhoods::new(schedule, best, random, self.options.switches)));
        }
        let mut search = Search::new(schedule, random, self.options.switches);
        if self.options.start.is_some() && self.options.switches.uses(Idea::WarmStart) {
            search.begin_cool();
        }
        Worker::Search(Box::new(search))
    }

    fn team(&self) -> Team<'c> {
        let (compiled, switches) = (self.facts.compiled, self.options.switches);
        let raises = switches.uses(Idea::Raise) && switches.uses(Idea::Exact) && !compiled.is_makespan();
        Team::new(self.threads(), Proof::new(compiled, switches), raises.then(|| Raise::new(compiled)))
    }

    /// Tells whether exact neighbourhoods are of use when this share of the budget is used.
    fn is_ripe(&self, used: f64) -> bool {
        let compiled = self.facts.compiled;
        used >= RIPE.0
            && self.iterations >= RIPE.1 * compiled.operations.len() as u64
            && self.options.switches.uses(Idea::Free)
            && Neighbourhoods::are_of_use(compiled)
    }

    /// Takes what a proof has found in a turn of this share of the budget. Returns what it would gain in all of it, as a share of
    /// the gap.
    fn learn(&mut self, found: Found, turn: f64) -> f64 {
        let gap = (self.best.cost - self.bound).max(1);
        let gained = found.gained;
        if let Some(plan) = found.plan.filter(|plan| plan.cost < self.best.cost) {
            self.best = plan;
        }
        self.bound = self.bound.max(found.bound).min(self.best.cost);
        gained as f64 / gap as f64 / turn.max(1e-6)
    }

    /// Takes what came of a turn of this share of the budget, and the worker back into the team, unless that is a proof that
    /// has nothing more to say.
    fn take(&mut self, team: &mut Team<'c>, (worker, done): (Worker<'c>, Done), turn: f64) {
        let before = (self.best.cost, self.bound);
        let mut phase = Phase::Improve;
        match (worker, done) {
            (Worker::Search(search), Done::Iterations(iterations)) => {
                self.iterations += iterations;
                if search.best.cost < self.best.cost {
                    self.best.clone_from(&search.best);
                }
                team.take_hand(Worker::Search(search));
            }
            (Worker::Free(free), Done::Freed) => {
                if free.best().cost < self.best.cost {
                    self.best.clone_from(free.best());
                }
                team.take_hand(Worker::Free(free));
            }
            (Worker::Proof(proof), Done::Found(own, found)) => {
                phase = own;
                if found.finished {
                    self.prices = proof.prices(self.halt.outer);
                }
                let finished = found.finished;
                team.take_proof(proof, self.learn(found, turn), finished);
            }
            (Worker::Raise(raise), Done::Found(own, found)) => {
                phase = own;
                let finished = found.finished;
                team.take_raise(raise, self.learn(found, turn), finished);
            }
            _ => unreachable!("each worker returns what is done by its kind"),
        }
        if (self.best.cost, self.bound) != before {
            self.report(phase);
        }
    }

    /// Runs without waiting for one another, each round a share of the time.
    fn by_the_clock(&mut self, mut rounds: Rounds) {
        let (threads, halt) = (self.threads(), self.halt);
        let mut team = self.team();
        let mut running = 0;
        std::thread::scope(|scope| {
            let (sender, receiver) = mpsc::channel();
            loop {
                while running < threads && !self.is_done() {
                    let Some(mut worker) = team.next(self.is_ripe(halt.used()), |number, free| self.hand(number, free))
                    else {
                        break;
                    };
                    let task = match &mut worker {
                        Worker::Proof(_) | Worker::Raise(_) => {
                            let turn = Turn::Until(halt.used() + turn_by_the_clock(halt));
                            Task::Proof { bound: self.bound, target: self.best.cost, turn }
                        }
                        Worker::Search(search) => {
                            let Some(budget) = rounds.next(halt, 1) else { break };
                            self.share_with(search, halt.used());
                            Task::Search(budget)
                        }
                        Worker::Free(free) => {
                            let Some(budget) = rounds.next(halt, 1) else { break };
                            free.adopt(&self.best);
                            Task::Free(budget)
                        }
                    };
                    running += 1;
                    start(scope, worker, task, halt, sender.clone());
                }
                if running == 0 {
                    break;
                }
                let Ok((worker, done)) = receiver.recv() else { break };
                running -= 1;
                let idle = matches!(done, Done::Iterations(0));
                self.take(&mut team, (worker, done), turn_by_the_clock(halt));
                if self.is_done() {
                    halt.done.store(true, Ordering::Relaxed);
                } else if idle {
                    team.search_no_more();
                }
            }
        });
        self.ask_for_prices(&team);
    }

    /// Runs in step: rounds of iterations, each begun when all are back.
    fn in_step(&mut self, mut rounds: Rounds) {
        let (threads, halt) = (self.threads(), self.halt);
        let mut team = self.team();
        while !self.is_done() {
            let mut round: Vec<Worker> = Vec::new();
            let mut searches = 0;
            // No round without a search: it is what is counted.
            while (round.len() < threads || searches == 0)
                && let Some(worker) = team.next(self.is_ripe(rounds.used()), |number, free| self.hand(number, free))
            {
                searches += u64::from(matches!(worker, Worker::Search(_)));
                round.push(worker);
            }
            let Some(budget) = rounds.next(halt, searches.max(1)) else { break };
            let Pace::Iterations { from, .. } = budget.pace else { break };
            let (bound, target) = (self.bound, self.best.cost);
            let tasks = round.into_iter().map(|mut worker| {
                let task = match &mut worker {
                    Worker::Search(search) => {
                        self.share_with(search, from);
                        Task::Search(Budget { ..budget })
                    }
                    Worker::Free(free) => {
                        free.adopt(&self.best);
                        Task::Free(Budget { ..budget })
                    }
                    Worker::Proof(_) | Worker::Raise(_) => {
                        let looks = (budget.iterations / ITERATIONS_A_LOOK).clamp(LEAST_LOOKS, 1 << 20) as u32;
                        let conflicts = (budget.iterations / ITERATIONS_A_CONFLICT).max(LEAST_CONFLICTS);
                        Task::Proof { bound, target, turn: Turn::Work { looks, conflicts } }
                    }
                };
                (worker, task)
            });
            let tasks: Vec<_> = tasks.collect();
            let mut back = Vec::new();
            if threads == 1 {
                back.extend(tasks.into_iter().map(|(mut worker, task)| {
                    let done = worker.work(task, halt);
                    (worker, done)
                }));
            } else {
                std::thread::scope(|scope| {
                    let running: Vec<_> = tasks
                        .into_iter()
                        .map(|(mut worker, task)| {
                            scope.spawn(move || {
                                let done = worker.work(task, halt);
                                (worker, done)
                            })
                        })
                        .collect();
                    back.extend(running.into_iter().map(|thread| thread.join().expect("a worker does not panic")));
                });
            }
            let idle = back.iter().all(|(_, done)| matches!(done, Done::Iterations(0)));
            for (worker, done) in back {
                self.take(&mut team, (worker, done), 1.0 / f64::from(ROUNDS));
            }
            if idle {
                break;
            }
        }
        self.ask_for_prices(&team);
    }

    /// Asks a proof that has not finished what hours are worth.
    fn ask_for_prices(&mut self, team: &Team) {
        if let Some(proof) = team.proof() {
            self.prices = proof.prices(self.halt.outer);
        }
    }

    /// Has a search go on from the best plan of all, where it is time for that and its own is dearer.
    fn share_with(&self, search: &mut Search<'c>, used: f64) {
        if search.best.cost > self.best.cost
            && self.options.switches.uses(Idea::Exchange)
            && search.wants_plan(used, LATE)
        {
            search.adopt(&self.best);
        }
    }
}

/// Has a worker do a task in a thread of its own, and send back what came of it.
fn start<'scope, 'c: 'scope>(
    scope: &'scope Scope<'scope, '_>,
    mut worker: Worker<'c>,
    task: Task<'scope>,
    halt: &'scope Halt<'scope>,
    sender: mpsc::Sender<(Worker<'c>, Done)>,
) {
    scope.spawn(move || {
        let done = worker.work(task, halt);
        // Nobody listens any more if the loop has ended, which it does when all are back.
        let _ = sender.send((worker, done));
    });
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
    let solved = Solved { plan: start.clone(), cost, bound: found.bound.min(cost), left_out, ..found.clone() };
    if solved.bound == cost { Outcome::Optimal(solved) } else { Outcome::Feasible(solved) }
}

/// Returns the best of the dispatch rules' plans and the repaired start; `None` if stopped before there is one.
fn first_plan(facts: &Schedule, options: &Options, stop: &dyn Stop) -> Option<Snapshot> {
    let mut plans = Vec::new();
    let keep = |plans: &mut Vec<Snapshot>, mut schedule: Schedule| {
        let cost = schedule.cost();
        plans.push(schedule.snapshot(cost));
    };
    if stop.should_stop() {
        return None;
    }
    if let Some(start) = options.start.filter(|_| options.switches.uses(Idea::WarmStart)) {
        let mut schedule = facts.clone();
        construct::repair(&mut schedule, start);
        keep(&mut plans, schedule);
    }
    let rules = if options.switches.uses(Idea::Rules) { construct::RULES.len() } else { 1 };
    for &rule in &construct::RULES[..rules] {
        let mut schedule = facts.clone();
        // There has to be a plan, however late it is.
        let patience: &dyn Stop = if plans.is_empty() { &Never } else { stop };
        if !construct::construct_until(&mut schedule, rule, patience) {
            break;
        }
        keep(&mut plans, schedule);
        if stop.should_stop() {
            break;
        }
    }
    // Of equal plans the repaired start comes first.
    plans.into_iter().min_by_key(|plan| plan.cost)
}

/// Checks the best plan and returns it; the first one in its place if the check finds a fault of the planner.
fn finish(
    facts: &Schedule,
    first: &Snapshot,
    best: &Snapshot,
    bound: Cost,
    (iterations, prices): (u64, Prices),
) -> Outcome {
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
                Solved { cost, bound: bound.min(cost), left_out: left_out(&schedule, &plan), plan, iterations, prices };
            return if cost <= bound { Outcome::Optimal(solved) } else { Outcome::Feasible(solved) };
        }
    }
    Outcome::Unknown { bound }
}
