//! Raises the bound of prices by refuting targets that are a little above it: where no plan is cheaper than the target, the
//! target is a bound (destructive bounds: Klein and Scholl (1999), doi:10.1016/S0377-2217(97)00431-2).
//!
//! The nearer a target is to what prices prove, the fewer ways they leave to place operations, and the sooner exact search
//! has refuted them. So targets go up as far as they are refuted with little work: a week that is too full for all cars that
//! the prices would have leave in it takes a few hundred conflicts.

use fitup_model::Cost;

use super::{Found, Proof, Turn};
use crate::bound::Bounder;
use crate::bound::remaining::Left;
use crate::compile::Compiled;
use crate::exact::bays::Bays;
use crate::exact::{self, Answer, Exact};
use crate::schedule::Snapshot;
use crate::stop::Stop;

/// How far above the bound the first target is, as a share of the gap, and the least that one is.
const FIRST_STEP: f64 = 1.0 / 16.0;
const LEAST_STEP: f64 = 1.0 / 512.0;

/// Conflicts that the refutation of a target may take at first; twice as many after each failure.
const FIRST_CONFLICTS: u64 = 250;

/// A target that took no more than this share of them is followed by one twice as far away.
const EASY: f64 = 0.25;

/// No more targets are tried after so many in a row that exact search could not be told, or to which it answered with what
/// turned out to be no cheaper plan.
const MOST_MISSES: u32 = 20;

/// Refutes one target after the other.
pub(crate) struct Raise<'c> {
    compiled: &'c Compiled<'c>,
    /// What prices prove, as far as it was told.
    bounder: Option<Bounder<'c>>,
    exact: Option<Exact<'c>>,
    /// How far above the bound the next target is, as a share of the gap.
    step: f64,
    /// Conflicts that the refutation of a target may take.
    most: u64,
    misses: u32,
    over: bool,
    bound: Cost,
    best: Option<Snapshot>,
}

impl<'c> Raise<'c> {
    /// Returns one that waits for prices.
    pub fn new(compiled: &'c Compiled<'c>) -> Raise<'c> {
        Raise {
            compiled,
            bounder: None,
            exact: None,
            step: FIRST_STEP,
            most: FIRST_CONFLICTS,
            misses: 0,
            over: false,
            bound: Cost::MIN,
            best: None,
        }
    }

    /// Learns what prices prove by now.
    pub fn learn(&mut self, proof: &Proof<'c>) {
        if let Some(bounder) = proof.bounder()
            && self.exact.is_none()
            && self.bounder.as_ref().is_none_or(|own| own.bound() < bounder.bound())
        {
            self.bounder = Some(bounder.clone());
        }
    }

    /// Tells whether it has something to do.
    pub fn is_ready(&self) -> bool {
        self.bounder.is_some()
    }

    /// Works for a turn; `bound` is what is proven, and `target` the price of the best plan.
    pub fn work(&mut self, bound: Cost, target: Cost, turn: Turn, stop: &dyn Stop) -> Found {
        self.bound = bound;
        self.best = None;
        // Prices may prove more by now than was to be shown.
        self.exact.take_if(|exact| exact.target() <= bound);
        match turn {
            Turn::Work { conflicts, .. } => self.advance(target, conflicts, stop),
            Turn::Until(until) => {
                while stop.used() < until && !stop.should_stop() && !self.is_finished(target) {
                    self.advance(target, 20, stop);
                }
            }
        }
        let finished = self.is_finished(target);
        let plan = self.best.take();
        let target = plan.as_ref().map_or(target, |plan| plan.cost.min(target));
        Found { bound: self.bound.min(target), gained: self.bound - bound, plan, finished }
    }

    fn is_finished(&self, target: Cost) -> bool {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        self.over || self.bound >= target
    }

    /// Does a small piece of work: begins with a target, or goes on with it.
    fn advance(&mut self, target: Cost, conflicts: u64, stop: &dyn Stop) {
        let target = self.best.as_ref().map_or(target, |best| best.cost.min(target));
        if self.exact.is_none() {
            self.begin(target, stop);
        }
        let Some(exact) = &mut self.exact else { return };
        exact.lower(target);
        match exact.run(conflicts, stop) {
            Answer::Open if exact.conflicts() < self.most => {}
            Answer::Open | Answer::Spent => self.give_up(),
            Answer::Proven => {
                let (target, conflicts) = (exact.target(), exact.conflicts());
                self.refuted(target, conflicts);
            }
            Answer::Found(ways) => {
                let plan = exact::plan::snapshot(self.compiled, &ways);
                if plan.cost < exact.target() {
                    exact.lower(plan.cost);
                    self.best = Some(plan);
                } else {
                    // A rule that exact search is not told makes it dearer. A lower target may be without it.
                    self.miss();
                }
            }
        }
    }

    fn begin(&mut self, target: Cost, stop: &dyn Stop) {
        let Some(bounder) = &self.bounder else { return };
        let lattice = bounder.lattice();
        let next = self.bound + ((target - self.bound) as f64 * self.step) as Cost + 1;
        let next = lattice.ceil(next).min(target);
        match bounder.left_below(next, stop) {
            Left::Unknown => {}
            Left::Nothing => self.refuted(next, 0),
            Left::Some(left) => {
                self.exact = Exact::new(self.compiled, next, lattice, Some(&left), Bays::Counted);
                if self.exact.is_none() {
                    // Too much is left, or cars may be left out.
                    self.miss();
                }
            }
        }
    }

    /// No plan is cheaper than `target`, which took so many conflicts to see.
    fn refuted(&mut self, target: Cost, conflicts: u64) {
        self.exact = None;
        self.bound = self.bound.max(target);
        self.misses = 0;
        if conflicts as f64 <= EASY * self.most as f64 {
            self.step = (2.0 * self.step).min(1.0);
        }
    }

    /// The target takes too much work: the next one is nearer to the bound, and may take more.
    fn give_up(&mut self) {
        self.exact = None;
        self.step = (self.step / 2.0).max(LEAST_STEP);
        self.most *= 2;
    }

    /// The target is not one that exact search can refute: the next one is nearer.
    fn miss(&mut self) {
        self.exact = None;
        self.step = (self.step / 2.0).max(LEAST_STEP);
        self.misses += 1;
        self.over = self.misses >= MOST_MISSES;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stop::Never;
    use crate::switches::Switches;

    #[test]
    fn targets_are_refuted_up_to_the_best_price_and_never_beyond() {
        let (mut raised, mut found) = (0, 0);
        for seed in 0..400 {
            let problem = crate::testing::problem(seed);
            let compiled = Compiled::new(&problem);
            let options = crate::Options { iterations: Some(2_000), ..crate::Options::default() };
            let outcome = crate::plan(&problem, &options, &Never, &|_| ());
            let crate::Outcome::Optimal(best) = outcome else { continue };
            let target = 2 * best.cost + 1;
            let mut bounder = Bounder::new(&compiled, Switches::default());
            bounder.advance(Some(target), 3, &Never);
            let by_prices = bounder.bound();
            let mut raise = Raise { bounder: Some(bounder), ..Raise::new(&compiled) };
            let turn = Turn::Work { looks: 0, conflicts: 500 };
            let (mut bound, mut price) = (by_prices, target);
            for _ in 0..100 {
                let now = raise.work(bound, price, turn, &Never);
                assert!(now.bound >= bound && now.bound <= best.cost, "seed {seed}: {} of {}", now.bound, best.cost);
                found += usize::from(now.plan.is_some());
                price = now.plan.map_or(price, |plan| plan.cost);
                bound = now.bound;
                if now.finished {
                    assert!(raise.over || bound == best.cost, "seed {seed}: ends at {bound}, not at {}", best.cost);
                    break;
                }
            }
            raised += usize::from(bound > by_prices);
        }
        assert!(raised > 5 && found > 5, "only {raised} bounds were raised, and {found} plans found");
    }
}
