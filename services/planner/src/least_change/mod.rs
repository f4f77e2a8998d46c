//! The answer that changes least: what starts soon stays where it is, but for what cannot, and for what is well worth it.
//!
//! What must move whatever one does is told by [`Must`]. All else that starts soon has a price here, [`WORTH`], that is paid
//! where it is moved: the search weighs it against what the shop pays, and waits for published starts where that is
//! cheaper. At the end what has stayed is tied, and what starts later is made cheaper beside it.

mod must;

use std::collections::BTreeSet;

use fitup_model::keyed::{CarId, OperationId};
use fitup_model::{Cost, Plan, Problem, Span, check, cost, repair};

pub use must::{Either, Must};

use crate::Options;
use crate::bound::Prices;
use crate::compile::Compiled;
use crate::construct;
use crate::left_out::left_out;
use crate::outcome::{LeftOut, Solved};
use crate::random::Random;
use crate::replan::{improved, kept, place_the_rest, priced, push_right, searched_in};
use crate::schedule::{Saved, Schedule};
use crate::stop::Stop;

/// It leaves alone what starts in this time from now.
pub const NEAR: Span = Span::from_minutes(2 * 1440);

/// A move of what starts soon is paid with this share of the price of the plan: ten moves for one twentieth.
const WORTH: f64 = 0.005;

/// Changes of what starts later cost so many times what they cost the shop, once all else has its place.
const DEARER: i64 = 2;

/// So many ways to give up what is in the way are tried at most, and each gives up more so often where a car finds no place.
const WAYS: usize = 6;
const RETRIES: usize = 4;

/// So many searches begin, each from another plan but the last, which goes on from the best; they share this part of the
/// time, and what is left is for what starts later.
const SEARCHES: u64 = 3;
const SHARE: f64 = 0.8;

/// Returns the plan that keeps of `published` what can be kept and mends the rest: what starts in the next two days and
/// is not hit stays exactly as it is, but for moves that are well worth it; what starts later may change.
///
/// With a limit on iterations it depends on what is given here alone, if nothing stops it earlier.
pub fn least_change(problem: &Problem, published: &Plan, options: &Options, stop: &dyn Stop) -> Solved {
    let mut mending = Mending::new(problem, published, options, stop);
    let starts = mending.starts();
    let Some(mut best) = starts.first().cloned() else { return improved(problem, published, options, stop) };
    for turn in 0..SEARCHES {
        let start = if turn + 1 == SEARCHES { &best } else { starts.get(turn as usize).unwrap_or(&best) };
        let until = SHARE * (turn + 1) as f64 / SEARCHES as f64;
        let move_price = worth(best.price);
        if let Some(found) = mending.weigh(start, move_price, turn, until)
            && mending.key(&found, move_price) < mending.key(&best, move_price)
        {
            best = found;
        }
    }
    if let Some(found) = mending.settle(&best)
        && found.moved.len() <= best.moved.len()
        && mending.key(&found, 0) < mending.key(&best, 0)
    {
        best = found;
    }
    let Candidate { plan, left_out, .. } = best;
    let (iterations, prices) = (mending.iterations, Prices::default());
    priced(problem, Solved { plan, cost: 0, bound: 0, left_out, iterations, prices })
}

/// Returns what a move may cost where a plan costs so much.
fn worth(price: Cost) -> Cost {
    ((price as f64 * WORTH) as Cost).max(1)
}

/// A plan that breaks no rule.
#[derive(Clone)]
struct Candidate {
    plan: Plan,
    left_out: Vec<LeftOut>,
    /// What it moves of what starts soon.
    moved: BTreeSet<OperationId>,
    price: Cost,
}

struct Mending<'m> {
    problem: &'m Problem,
    published: &'m Plan,
    options: &'m Options<'m>,
    stop: &'m dyn Stop,
    /// What is published to start soon.
    near: Vec<OperationId>,
    must: Must,
    iterations: u64,
}

impl<'m> Mending<'m> {
    fn new(problem: &'m Problem, published: &'m Plan, options: &'m Options<'m>, stop: &'m dyn Stop) -> Mending<'m> {
        let near = repair::near(problem, published, problem.now + NEAR);
        let must = Must::new(problem, published, &near);
        Mending { problem, published, options, stop, near, must, iterations: 0 }
    }

    fn candidate(&self, plan: Plan, left_out: Vec<LeftOut>) -> Option<Candidate> {
        if !check(self.problem, &plan).is_empty() {
            return None;
        }
        let moves = |id: &OperationId| !repair::stays(self.problem, self.published, &plan, *id);
        let moved = self.near.iter().copied().filter(moves).collect();
        let price = cost::cost(self.problem, &plan);
        Some(Candidate { plan, left_out, moved, price })
    }

    /// Returns what plans are chosen by: how many cars they leave out, then their price with that of their moves; of plans
    /// that are level the one that moves least of what starts later, and then the one that is ahead with its work.
    fn key(&self, candidate: &Candidate, move_price: Cost) -> (usize, Cost, usize, i64) {
        let plan = &candidate.plan;
        let all = repair::near(self.problem, self.published, self.problem.horizon);
        let moved = all.iter().filter(|id| !repair::stays(self.problem, self.published, plan, **id)).count();
        let ends = plan.operations.values().flatten().map(|assignment| assignment.end.minutes());
        let price = candidate.price + move_price * candidate.moved.len() as Cost;
        (self.out(plan).len(), price, moved, ends.sum())
    }

    fn out(&self, plan: &Plan) -> Vec<CarId> {
        self.problem.cars.keys().filter(|car| !plan.includes(self.problem, *car)).collect()
    }

    /// Returns plans to begin with, the best first.
    fn starts(&self) -> Vec<Candidate> {
        let ways = self.must.ways(WAYS);
        let mut plans: Vec<(Plan, Vec<LeftOut>)> = ways.into_iter().filter_map(|way| self.mended(way)).collect();
        plans.push(kept(self.problem, self.published));
        plans.push(push_right(self.problem, self.published));
        plans.push(self.hit_first());
        let candidates = plans.into_iter().filter_map(|(plan, left_out)| self.candidate(plan, left_out));
        let mut candidates: Vec<Candidate> = candidates.collect();
        let move_price = worth(candidates.iter().map(|found| found.price).min().unwrap_or(0));
        candidates.sort_by_key(|found| self.key(found, move_price));
        candidates.dedup_by(|a, b| a.plan == b.plan);
        candidates
    }

    /// Returns a plan in which all stays that starts soon, but for `way` and what else has to give way to it.
    fn mended(&self, mut way: BTreeSet<OperationId>) -> Option<(Plan, Vec<LeftOut>)> {
        for _ in 0..RETRIES {
            let held = self.held(&way, 1);
            let compiled = Compiled::new(&held);
            let mut schedule = Schedule::new(&compiled, Random::new(1, 0));
            construct::repair(&mut schedule, self.published);
            let found = finished(schedule);
            let out = self.out(&found.0);
            let before = way.len();
            way.extend(self.near.iter().filter(|id| out.contains(&self.problem.operations[**id].car)));
            if way.len() == before {
                return Some(found);
            }
        }
        None
    }

    /// Returns a plan in which the cars that are hit go first, and the others stand as published where that is left to them.
    fn hit_first(&self) -> (Plan, Vec<LeftOut>) {
        let compiled = Compiled::new(self.problem);
        let mut schedule = Schedule::new(&compiled, Random::new(1, 0));
        let hit = construct::restore(&mut schedule.clone(), self.published);
        let (mut saved, mut order) = (Saved::default(), Vec::new());
        for car in hit {
            let _ = construct::insert_car(&mut schedule, car, &mut order, &mut saved);
        }
        construct::repair(&mut schedule, self.published);
        finished(schedule)
    }

    /// Returns the problem with everything tied that starts soon, but for `given_up`.
    fn held(&self, given_up: &BTreeSet<OperationId>, factor: i64) -> Problem {
        let tied: BTreeSet<OperationId> = self.near.iter().copied().filter(|id| !given_up.contains(id)).collect();
        repair::held(self.problem, self.published, factor, &|id| tied.contains(&id))
    }

    /// Searches for a plan in which each move of what starts soon has a price, but for what must move.
    fn weigh(&mut self, start: &Candidate, move_price: Cost, turn: u64, until: f64) -> Option<Candidate> {
        let mut compiled = Compiled::new(self.problem);
        let may_stay = self.near.iter().copied().filter(|id| !self.must.moved.contains(id));
        compiled.stick(self.published, &may_stay.collect::<Vec<_>>(), move_price);
        self.search(&compiled, &start.plan, turn, until)
    }

    /// Searches for a cheaper plan with everything tied that stays of what starts soon.
    fn settle(&mut self, best: &Candidate) -> Option<Candidate> {
        let held = self.held(&best.moved, DEARER);
        self.search(&Compiled::new(&held), &best.plan, SEARCHES, 1.0)
    }

    fn search(&mut self, compiled: &Compiled, start: &Plan, turn: u64, until: f64) -> Option<Candidate> {
        let iterations = self.options.iterations.map(|all| all / (SEARCHES + 1));
        let options = Options { seed: self.options.seed.wrapping_add(turn), iterations, ..*self.options };
        let found = searched_in(compiled, start, &options, self.stop, until);
        self.iterations += found.iterations;
        self.candidate(found.plan, found.left_out)
    }
}

/// Places what is not placed, and returns the plan and what it leaves out.
fn finished(mut schedule: Schedule) -> (Plan, Vec<LeftOut>) {
    place_the_rest(&mut schedule);
    let plan = schedule.to_plan();
    let left_out = left_out(&schedule, &plan);
    (plan, left_out)
}
