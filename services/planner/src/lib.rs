//! Plans a shop: [`plan`] turns a [`Problem`] into a checked [`Plan`] and says how far it can be from the best one.
//!
//! No I/O, no clock and no global random numbers: time, seed and the wish to stop come in as arguments.
//!
//! Read in this order: [`outcome`] and [`stop`] (what goes in and out), [`compile`] (the problem in dense arrays),
//! `timeline` and `schedule` (who is where when), `construct` (first plans), `improve` (better ones), [`bound`]
//! (what no plan can cost less than), [`exact`] and [`milp`] (search of what the bound leaves), `prove` (these in turns)
//! and `anytime` (the loop that shares the time among them). [`conflict`] asks all of it why a car finds no room.

mod anytime;
pub mod beside;
pub mod bound;
pub mod compile;
pub mod conflict;
pub mod construct;
pub mod exact;
pub mod format;
pub mod improve;
pub mod least_change;
mod left_out;
pub mod load;
pub mod milp;
pub mod multi_mode;
pub mod neighbourhood;
pub mod outcome;
mod prove;
pub mod push;
pub mod random;
pub mod replan;
mod rounds;
pub mod schedule;
pub mod steer;
pub mod stop;
pub mod switches;
mod team;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
pub mod timeline;

use fitup_model::{Plan, Problem};

pub use outcome::{LeftOut, LeftOutReason, Outcome, Phase, Progress, Solved};
pub use stop::{AnyOf, CancelFlag, Never, Stop};
pub use switches::{Idea, Switches};

/// How to plan.
#[derive(Debug, Clone, Copy)]
pub struct Options<'a> {
    /// Start of the random numbers.
    pub seed: u64,
    /// Threads to search with; at least 1.
    pub threads: usize,
    /// Search iterations in all, over all threads. With a limit the plan depends on the problem, the seed, the number of
    /// threads and the limit alone, as long as nothing stops it earlier.
    pub iterations: Option<u64>,
    /// Stops when `(price - bound) / price` is no more than this; 0 goes on until the plan is proven optimal.
    pub gap: f64,
    /// The published plan, to begin with. What of it no longer fits is planned anew.
    pub start: Option<&'a Plan>,
    /// Which ideas to use: all, but to measure what they are worth.
    pub switches: Switches,
}

impl Default for Options<'_> {
    fn default() -> Self {
        Options { seed: 1, threads: 1, iterations: None, gap: 0.0, start: None, switches: Switches::default() }
    }
}

/// Plans `problem` until the plan is good enough or `stop` says so.
///
/// Calls `on_progress` for every better plan or bound, from the calling thread. The answer comes within a few
/// milliseconds of the stop.
pub fn plan(
    problem: &Problem,
    options: &Options,
    stop: &dyn Stop,
    on_progress: &(dyn Fn(&Progress) + Sync),
) -> Outcome {
    anytime::run(&compile::Compiled::new(problem), options, stop, on_progress)
}
