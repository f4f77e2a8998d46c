//! Exact neighbourhoods: all cars but a few stay where they are, and these few are put where they cost least beside them,
//! or it is shown that they stand there already.
//!
//! Large neighbourhood search of Shaw (1998), doi:10.1007/3-540-49481-2_30. Which cars are freed is [`pick`]; what is left
//! of the problem is [`Compiled::with_held`], and [`solve`] has the bound and the exact search on it. Where ruin and
//! recreate moves a car to the first free place, this moves a dozen cars together: it gets out of corners that no sequence
//! of small steps leads out of, such as a painter's week that is full in another order alone.

mod pick;
mod solve;
#[cfg(test)]
mod tests;

use crate::compile::Compiled;
use crate::improve::{Budget, Pace};
use crate::random::Random;
use crate::schedule::{Schedule, Snapshot};
use crate::stop::Stop;
use crate::switches::Switches;
use solve::{Effort, Found};

/// Cars that are freed at first, at least and at most. There are more while it is easy to show that they stand well, fewer
/// where nothing comes of it.
const FIRST_SIZE: f64 = 6.0;
const LEAST_SIZE: f64 = 2.0;
const MOST_SIZE: f64 = 40.0;
const GROWS: f64 = 1.03;
const SHRINKS: f64 = 0.85;

/// Iterations of a search that take about as long as one neighbourhood.
const ITERATIONS: u64 = 1_000;

/// What one neighbourhood is worth.
const EFFORT: Effort = Effort { looks: 60, ways: 40_000, conflicts: 2_000 };

/// Looks at one neighbourhood of the best plan after the other.
pub struct Neighbourhoods<'c> {
    schedule: Schedule<'c>,
    best: Snapshot,
    random: Random,
    size: f64,
    /// Iterations of a search that it has not yet made use of.
    credit: u64,
    switches: Switches,
}

impl<'c> Neighbourhoods<'c> {
    /// Returns neighbourhoods of what `schedule` is at.
    pub fn new(schedule: Schedule<'c>, best: Snapshot, random: Random, switches: Switches) -> Neighbourhoods<'c> {
        Neighbourhoods { schedule, best, random, size: FIRST_SIZE, credit: 0, switches }
    }

    /// Tells whether it can be of use: prices of cars are what counts.
    pub fn are_of_use(compiled: &Compiled) -> bool {
        let movable = compiled.cars.iter().filter(|car| !car.operations.is_empty() && car.impossible.is_none()).count();
        movable > 2 && !compiled.is_makespan() && compiled.problem.outside.is_none() && !compiled.truncated
    }

    /// Returns the best plan.
    pub fn best(&self) -> &Snapshot {
        &self.best
    }

    /// Goes on from a plan, if it is better.
    pub fn adopt(&mut self, plan: &Snapshot) {
        if plan.cost < self.best.cost {
            self.best.clone_from(plan);
            self.schedule.load(plan);
        }
    }

    /// Looks at neighbourhoods, as much as a search does in the budget.
    pub fn run(&mut self, budget: &Budget, stop: &dyn Stop) {
        match budget.pace {
            Pace::Time { until } => while stop.used() < until && self.look(stop) {},
            Pace::Iterations { .. } => {
                self.credit += budget.iterations;
                while self.credit >= ITERATIONS && self.look(stop) {
                    self.credit -= ITERATIONS;
                }
            }
        }
    }

    /// Looks at one neighbourhood; `false` if there is none, or somebody says stop.
    fn look(&mut self, stop: &dyn Stop) -> bool {
        let free = pick::cars(&self.schedule, &mut self.random, self.size as usize);
        if free.is_empty() || stop.should_stop() {
            return false;
        }
        let found = solve::improve(&mut self.schedule, &mut self.best, &free, EFFORT, self.switches, stop);
        self.size = match found {
            Found::Better => self.size,
            Found::Best => self.size * GROWS,
            Found::Open => self.size * SHRINKS,
        }
        .clamp(LEAST_SIZE, MOST_SIZE);
        true
    }
}
