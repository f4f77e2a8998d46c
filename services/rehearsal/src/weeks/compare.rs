//! Ways to dispatch side by side in the same weeks, many times.

use std::thread;

use fitup_model::{Fault, Problem};
use fitup_planner::Stop;

use super::floor::Floor;
use super::planned::{ByPlan, Manner};
use super::policy::{ByHabit, Habit, Policy};
use super::record::Measures;
use super::world::{Setting, World};

/// A way to dispatch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Way {
    /// By fitup.
    Plan(Manner),
    /// By a habit.
    Habit(Habit),
}

/// Plays one run under one way.
///
/// # Errors
/// See [`World::new`].
pub fn rehearse_once(world: &World, way: Way, stop: &dyn Stop) -> Result<Measures, Vec<Fault>> {
    let mut floor = Floor::new(world);
    let mut policy: Box<dyn Policy> = match way {
        Way::Plan(manner) => Box::new(ByPlan::new(&floor, manner)),
        Way::Habit(habit) => Box::new(ByHabit::new(habit, world.booked())),
    };
    floor.run(policy.as_mut(), stop);
    floor.measures()
}

/// Plays so many runs under each way, on so many threads, which change nothing of the answer. Returns the measures of each
/// way, by run; fewer runs if `stop` says so.
///
/// # Errors
/// See [`World::new`].
pub fn rehearse(
    problem: &Problem,
    setting: &Setting,
    ways: &[Way],
    runs: u64,
    threads: usize,
    stop: &dyn Stop,
) -> Result<Vec<Vec<Measures>>, Vec<Fault>> {
    let threads = threads.max(1) as u64;
    let one = |run: u64| -> Result<Option<Vec<Measures>>, Vec<Fault>> {
        let world = World::new(problem, setting, run)?;
        let mut found = Vec::new();
        for &way in ways {
            found.push(rehearse_once(&world, way, stop)?);
        }
        Ok((!stop.should_stop()).then_some(found))
    };
    let played: Vec<Result<Vec<_>, Vec<Fault>>> = thread::scope(|scope| {
        let part = |first: u64| {
            let one = &one;
            move || (first..runs).step_by(threads as usize).map(|run| Ok((run, one(run)?))).collect()
        };
        let workers: Vec<_> = (0..threads).map(|first| scope.spawn(part(first))).collect();
        workers.into_iter().map(|worker| worker.join().expect("a rehearsal does not panic")).collect()
    });
    let mut runs: Vec<(u64, Option<Vec<Measures>>)> =
        played.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect();
    runs.sort_by_key(|(run, _)| *run);
    let mut by_way = vec![Vec::new(); ways.len()];
    for measures in runs.into_iter().filter_map(|(_, measures)| measures) {
        for (all, own) in by_way.iter_mut().zip(measures) {
            all.push(own);
        }
    }
    Ok(by_way)
}
