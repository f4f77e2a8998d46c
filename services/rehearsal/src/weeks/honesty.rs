//! How often what cars were told comes true.

use fitup_model::{Fault, Span, check};
use fitup_planner::Stop;

use super::floor::Floor;
use super::planned::{ByPlan, Manner};
use super::quoting::{Level, Quoting, Told};
use super::world::World;

const WEEK: i64 = 7 * 1440;

/// What was told in a run.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Run {
    /// What the cars were told that came in the counted weeks, in order.
    pub told: Vec<Told>,
    /// Rules that the record of the run breaks; there should be none.
    pub broken: usize,
}

/// Plays the weeks of `world` by plan, with quotes. Cars are counted that come in the first so many weeks. Others come after
/// them, so that those who are counted all meet the same trade, until each of them is complete: none is left out because it
/// took long.
///
/// # Errors
/// As [`Floor::record`].
pub fn quoted(world: &World, manner: Manner, quoting: Quoting, weeks: u32, stop: &dyn Stop) -> Result<Run, Vec<Fault>> {
    let until = world.booked().now + Span::from_minutes(WEEK * i64::from(weeks));
    let mut floor = Floor::new(world);
    let mut policy = ByPlan::quoting(&floor, manner, quoting, until);
    floor.run(&mut policy, stop);
    let record = floor.record()?;
    let complete = |told: &Told| Told { complete: floor.completion(told.car), ..*told };
    let told = policy.told().iter().filter(|told| told.at < until).map(complete).collect();
    Ok(Run { told, broken: check(&record.problem, &record.plan).len() })
}

/// How often a date was met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Kept {
    /// Cars that were told a date.
    pub told: usize,
    /// Of these, cars that were complete by it.
    pub met: usize,
}

impl Kept {
    /// Returns the share; not a number of none.
    pub fn share(&self) -> f64 {
        self.met as f64 / self.told as f64
    }
}

/// Counts how often a date was met.
pub fn kept<'t>(told: impl IntoIterator<Item = &'t Told>, level: Level) -> Kept {
    let mut kept = Kept::default();
    for told in told {
        if let Some(date) = told.dates[level as usize] {
            kept.told += 1;
            kept.met += usize::from(told.complete.is_some_and(|end| end <= date));
        }
    }
    kept
}
