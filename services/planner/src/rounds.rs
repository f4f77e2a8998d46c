//! Cuts a budget into rounds.

use crate::improve::{Budget, Pace};
use crate::stop::Stop;

/// Rounds into which a budget is cut at least.
pub(crate) const ROUNDS: u32 = 48;

/// No round takes longer than this where time is known.
const LONGEST_SECONDS: f64 = 0.1;

/// Iterations of the first cycle of annealing where no budget is known; each one is twice as long as the one before.
const FIRST_CYCLE: u64 = 1 << 16;

/// What is known of a budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Limit {
    /// So many iterations, over all threads.
    Iterations(u64),
    /// How much of the time is used.
    Time,
    /// Nothing.
    None,
}

/// A budget, handed out in rounds.
#[derive(Debug)]
pub(crate) struct Rounds {
    limit: Limit,
    /// Iterations handed out, of those of the limit or of the present cycle.
    done: u64,
    cycle: u64,
}

impl Rounds {
    /// Returns the rounds of a limit on iterations, or else of what `stop` knows of time.
    pub fn new(iterations: Option<u64>, stop: &dyn Stop) -> Rounds {
        let limit = match iterations {
            Some(iterations) => Limit::Iterations(iterations),
            None if stop.used() > 0.0 => Limit::Time,
            None => Limit::None,
        };
        Rounds { limit, done: 0, cycle: FIRST_CYCLE }
    }

    /// Tells whether rounds are shares of time. Otherwise each is a number of iterations, whatever the clock says.
    pub fn by_time(&self) -> bool {
        self.limit == Limit::Time
    }

    /// Returns the share that is handed out, of the limit or of the present cycle.
    pub fn used(&self) -> f64 {
        let all = match self.limit {
            Limit::Iterations(limit) => limit,
            Limit::Time | Limit::None => self.cycle,
        };
        self.done as f64 / all.max(1) as f64
    }

    /// Returns the budget of each of `searches` in the next round; `None` when the limit is reached.
    pub fn next<'s>(&mut self, stop: &'s dyn Stop, searches: u64) -> Option<Budget<'s>> {
        let all = match self.limit {
            Limit::Time => {
                let pace = Pace::Time { until: stop.used() + turn_by_the_clock(stop) };
                return Some(Budget { stop, iterations: u64::MAX, pace });
            }
            Limit::Iterations(limit) if self.done >= limit => return None,
            Limit::Iterations(limit) => limit,
            Limit::None => {
                if self.done >= self.cycle {
                    (self.done, self.cycle) = (0, self.cycle * 2);
                }
                self.cycle
            }
        };
        let iterations = all.div_ceil(u64::from(ROUNDS)).min(all - self.done).div_ceil(searches);
        let from = self.done as f64 / all as f64;
        self.done += iterations * searches;
        let to = (self.done as f64 / all as f64).min(1.0);
        Some(Budget { stop, iterations, pace: Pace::Iterations { from, to } })
    }
}

/// Returns how long a turn is, as a share of the time.
pub(crate) fn turn_by_the_clock(stop: &dyn Stop) -> f64 {
    let longest = stop.seconds_left().map_or(1.0, |left| LONGEST_SECONDS * (1.0 - stop.used()) / left.max(1e-3));
    longest.min(1.0 / f64::from(ROUNDS))
}
