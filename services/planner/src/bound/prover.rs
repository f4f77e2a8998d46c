//! The bound beside the search.

use super::Bounder;
use crate::anytime::{Found, Prover, View};
use crate::compile::Compiled;
use crate::outcome::Phase;

/// Looks at all cars in one round where no time is known.
const LOOKS_A_ROUND: u32 = 40;

/// Raises the bound a little in each round.
pub(crate) struct BoundProver<'c> {
    bounder: Bounder<'c>,
}

impl<'c> BoundProver<'c> {
    pub fn new(compiled: &'c Compiled<'c>) -> BoundProver<'c> {
        BoundProver { bounder: Bounder::new(compiled) }
    }
}

impl Prover for BoundProver<'_> {
    fn phase(&self) -> Phase {
        Phase::Bound
    }

    fn round(&mut self, view: &View) -> Found {
        let target = Some(view.best.cost);
        if view.until.is_none() {
            self.bounder.advance(target, LOOKS_A_ROUND, view.stop);
        }
        while view.until.is_some_and(|until| view.stop.used() < until)
            && !view.stop.should_stop()
            && !self.bounder.is_exhausted()
        {
            self.bounder.advance(target, 1, view.stop);
        }
        Found { bound: Some(self.bounder.bound()), plan: None, finished: self.bounder.is_exhausted() }
    }
}
