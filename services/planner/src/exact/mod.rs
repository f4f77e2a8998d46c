//! Exact search: proves that no plan is cheaper than the best one known, or finds one.
//!
//! [`Exact`] tells a learning search ([`engine`]) the rules of the problem ([`model`]) and asks for a plan that is
//! cheaper than the target. If there is none the target is optimal. Makespans need no bound from elsewhere; prices are
//! searched among what the bound has left to decide ([`crate::bound::remaining`]).
//!
//! Reading order: [`store`] (bounds and their history), [`order`], [`span`], [`unary`], [`cumulative`], [`total`] (the rules),
//! [`engine`], [`model`], [`bays`], [`plan`] (back to a plan).

pub mod bays;
pub mod cumulative;
pub mod engine;
pub mod model;
pub mod order;
pub mod plan;
mod queue;
pub mod span;
pub mod store;
#[cfg(test)]
mod tests;
pub mod total;
pub mod unary;

use fitup_model::Cost;

use crate::bound::lattice::Lattice;
use crate::bound::remaining::{Remaining, Way};
use crate::compile::Compiled;
use crate::stop::Stop;
use bays::Bays;
use engine::Verdict;
use model::Model;

/// What a slice of exact search has led to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// No plan is cheaper than the target.
    Proven,
    /// Operations can stand like this, at less than the target as far as the engine knows.
    Found(Vec<Option<Way>>),
    /// Not decided yet.
    Open,
    /// Nothing more can be found, and nothing is proven.
    Spent,
}

/// An exact search for plans cheaper than a target.
pub struct Exact<'c> {
    compiled: &'c Compiled<'c>,
    lattice: Lattice,
    target: Cost,
    model: Model,
    closed: bool,
    /// Something was refused that may be a better plan with other bays: nothing is proven any more.
    refused: bool,
}

impl<'c> Exact<'c> {
    /// Returns the search for plans cheaper than `target`; `None` if the problem is not one that it can tell the engine.
    /// Prices need what `remaining` has left to decide.
    pub fn new(
        compiled: &'c Compiled<'c>,
        target: Cost,
        lattice: Lattice,
        remaining: Option<&Remaining>,
        bays: Bays,
    ) -> Option<Self> {
        if compiled.truncated {
            return None;
        }
        let model = Model::new(compiled, lattice.below(target), remaining, bays)?;
        Some(Exact { compiled, lattice, target, model, closed: false, refused: false })
    }

    /// Returns what is searched below.
    pub fn target(&self) -> Cost {
        self.target
    }

    /// Returns the number of conflicts so far, a measure of work.
    pub fn conflicts(&self) -> u64 {
        self.model.engine.conflicts
    }

    /// Returns the bay of each visit of what was found last; none where bays are only counted.
    pub fn bays(&self) -> Vec<(u32, u16)> {
        self.model.bays()
    }

    /// Searches below a lower target from now on.
    pub fn lower(&mut self, target: Cost) {
        if target < self.target {
            self.target = target;
            self.closed |= !self.model.tighten(self.compiled, self.lattice.below(target));
        }
    }

    /// Refuses what was found: no better plan could be made of it. From now on nothing is proven, only found. Returns
    /// false if nothing is left to find.
    pub fn refuse(&mut self) -> bool {
        self.refused = true;
        self.model.engine.refuse()
    }

    fn nothing_left(&self) -> Answer {
        if self.refused { Answer::Spent } else { Answer::Proven }
    }

    /// Searches for at most `conflicts` conflicts.
    pub fn run(&mut self, conflicts: u64, stop: &dyn Stop) -> Answer {
        if self.closed {
            return self.nothing_left();
        }
        match self.model.engine.run(conflicts, stop) {
            Verdict::Impossible => {
                self.closed = true;
                self.nothing_left()
            }
            Verdict::Open => Answer::Open,
            Verdict::Found => Answer::Found(self.model.read()),
        }
    }
}
