//! Proof beside the search: raises the bound by prices, then searches exactly what they leave.

use fitup_model::Cost;

use crate::anytime::{Found, Prover, View};
use crate::bound::Bounder;
use crate::compile::Compiled;
use crate::exact::{self, Answer, Exact};
use crate::outcome::Phase;
use crate::schedule::Snapshot;
use crate::stop::Stop;

/// Looks at all cars before exact search begins.
const LOOKS_FIRST: u32 = 200;

/// Exact search begins when no more ways to place operations are left than this.
const MOST_WAYS: usize = 80_000;

/// A smaller problem is worth beginning anew if it has no more than this share of the ways.
const WORTH_A_NEW_START: f64 = 0.6;

/// Where no time is known: looks and conflicts of one round.
const WORK_A_ROUND: (u32, u64) = (40, 400);

/// Exact search is given up after so many answers that turned out to be no better plans.
const MOST_MISSES: u32 = 100;

/// Raises the bound and searches exactly, in turns.
pub(crate) struct Proof<'c> {
    compiled: &'c Compiled<'c>,
    bounder: Bounder<'c>,
    exact: Option<Exact<'c>>,
    /// Ways that the exact search began with.
    ways: usize,
    looks: u32,
    rounds: u32,
    misses: u32,
    bound: Cost,
    best: Option<Snapshot>,
}

impl<'c> Proof<'c> {
    /// Returns a proof that has not begun.
    pub fn new(compiled: &'c Compiled<'c>) -> Proof<'c> {
        let bounder = Bounder::new(compiled);
        let bound = bounder.bound();
        Proof { compiled, bounder, exact: None, ways: usize::MAX, looks: 0, rounds: 0, misses: 0, bound, best: None }
    }

    /// Does a small piece of work.
    fn work(&mut self, target: Cost, exactly: bool, (looks, conflicts): (u32, u64), stop: &dyn Stop) {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        if exactly && self.exact.is_some() {
            self.search(target, conflicts, stop);
        } else if !self.bounder.is_exhausted() {
            self.bounder.advance(Some(target), looks, stop);
            self.looks += looks;
            self.bound = self.bound.max(self.bounder.bound());
        }
    }

    /// Begins exact search if little enough is left to decide.
    fn begin(&mut self, target: Cost, stop: &dyn Stop) {
        if self.misses >= MOST_MISSES {
            return;
        }
        let lattice = self.bounder.lattice();
        if self.compiled.is_makespan() {
            if self.exact.is_none() && self.rounds <= 1 {
                self.exact = Exact::new(self.compiled, target, lattice, None);
            }
            return;
        }
        if self.looks < LOOKS_FIRST && !self.bounder.is_exhausted() || self.bounder.is_closed() {
            return;
        }
        if self.bounder.most_ways() as f64 > MOST_WAYS as f64 * 2.0 {
            return;
        }
        let Some(remaining) = self.bounder.remaining(stop) else { return };
        let size = remaining.size();
        if size <= MOST_WAYS && (size as f64) < self.ways as f64 * WORTH_A_NEW_START {
            self.exact = Exact::new(self.compiled, remaining.target, lattice, Some(&remaining));
            self.ways = size;
        }
    }

    fn search(&mut self, target: Cost, conflicts: u64, stop: &dyn Stop) {
        let Some(exact) = &mut self.exact else { return };
        exact.lower(target);
        match exact.run(conflicts, stop) {
            Answer::Open => {}
            Answer::Proven => {
                self.bound = self.bound.max(exact.target());
                self.exact = None;
            }
            Answer::Found(ways) => {
                let plan = exact::plan::snapshot(self.compiled, &ways);
                if plan.cost < target {
                    exact.lower(plan.cost);
                    self.best = Some(plan);
                } else {
                    self.misses += 1;
                    if self.misses >= MOST_MISSES || !exact.refuse() {
                        self.exact = None;
                    }
                }
            }
        }
    }

    fn is_finished(&self, target: Cost) -> bool {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        self.bound >= target || self.bounder.is_exhausted() && self.exact.is_none() && self.rounds > 2
    }
}

impl Prover for Proof<'_> {
    fn phase(&self) -> Phase {
        if self.exact.is_some() { Phase::Exact } else { Phase::Bound }
    }

    fn round(&mut self, view: &View) -> Found {
        self.rounds += 1;
        let target = view.best.cost;
        self.best = None;
        self.begin(target, view.stop);
        // Three rounds in four are for the exact search, once there is one.
        let exactly = !self.rounds.is_multiple_of(4) || self.bounder.is_exhausted();
        match view.until {
            None => self.work(target, exactly, WORK_A_ROUND, view.stop),
            Some(until) => {
                while view.stop.used() < until && !view.stop.should_stop() && !self.is_finished(target) {
                    self.work(target, exactly, (1, 20), view.stop);
                    if self.exact.is_none() && self.looks == LOOKS_FIRST {
                        self.begin(target, view.stop);
                    }
                }
            }
        }
        let plan = self.best.take();
        let target = plan.as_ref().map_or(target, |plan| plan.cost.min(target));
        Found { bound: Some(self.bound.min(target)), plan, finished: self.is_finished(target) }
    }
}
