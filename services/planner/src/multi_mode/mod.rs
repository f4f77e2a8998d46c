//! Projects whose activities can be done in several ways: a shop has none, published benchmarks do.
//!
//! Branch and bound along the precedence tree: Patterson, Słowiński, Talbot and Węglarz (1989), in: Advances in Project
//! Scheduling; Sprecher (1994), doi:10.1007/978-3-642-48397-4. A node places one more activity in one of its
//! modes at its earliest start, no earlier than the one placed last ([`search`]); modes that are never of use are left out
//! before ([`reduce`]). It ends with a proof, and is meant for some twenty activities.

mod reduce;
mod search;
#[cfg(test)]
mod tests;

use crate::stop::Stop;
use reduce::useful_modes;
use search::Search;

/// No project takes longer than this in its slowest modes, one activity after another.
const LONGEST: i64 = 1_000_000;

/// A way to do an activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mode {
    /// How long it takes.
    pub duration: i64,
    /// What it holds meanwhile of each resource that is given back.
    pub held: Vec<i64>,
    /// What it takes for good of each resource that is used up.
    pub used: Vec<i64>,
}

/// An activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Activity {
    /// Its modes; at least one.
    pub modes: Vec<Mode>,
    /// The activities that start after its end.
    pub successors: Vec<usize>,
}

/// A project, to be done as soon as possible.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Project {
    name: String,
    activities: Vec<Activity>,
    held: Vec<i64>,
    used: Vec<i64>,
    /// Every activity after those that it waits for.
    order: Vec<usize>,
    before: Vec<Vec<usize>>,
}

impl Project {
    /// Returns a project with so much of each resource that is given back, and of each that is used up.
    ///
    /// # Errors
    /// What is wrong with it: activities in a circle, no mode, other resources than these, or times that are too long.
    pub fn new(
        name: impl Into<String>,
        activities: Vec<Activity>,
        held: Vec<i64>,
        used: Vec<i64>,
    ) -> Result<Project, String> {
        let mut before = vec![Vec::new(); activities.len()];
        let mut total = 0_i64;
        for (index, activity) in activities.iter().enumerate() {
            for &after in &activity.successors {
                before.get_mut(after).ok_or_else(|| format!("there is no activity {}", after + 1))?.push(index);
            }
            let complete = |mode: &Mode| {
                mode.held.len() == held.len()
                    && mode.used.len() == used.len()
                    && mode.held.iter().chain(&mode.used).chain([&mode.duration]).all(|amount| *amount >= 0)
            };
            if activity.modes.is_empty() || !activity.modes.iter().all(complete) {
                return Err(format!("activity {} has modes with an amount of each resource", index + 1));
            }
            let longest = activity.modes.iter().map(|mode| mode.duration).max().unwrap_or(0);
            total = total.saturating_add(longest);
        }
        if total > LONGEST {
            return Err(format!("the durations add up to {total}, more than {LONGEST}"));
        }
        let mut waits: Vec<usize> = before.iter().map(Vec::len).collect();
        let mut order: Vec<usize> = (0..activities.len()).filter(|&index| waits[index] == 0).collect();
        let mut next = 0;
        while let Some(&index) = order.get(next) {
            next += 1;
            for &after in &activities[index].successors {
                waits[after] -= 1;
                if waits[after] == 0 {
                    order.push(after);
                }
            }
        }
        if order.len() < activities.len() {
            let first = waits.iter().position(|waits| *waits > 0).unwrap_or(0);
            return Err(format!("activity {} waits for itself", first + 1));
        }
        Ok(Project { name: name.into(), activities, held, used, order, before })
    }

    /// Returns the name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Returns the activities.
    pub fn activities(&self) -> &[Activity] {
        &self.activities
    }

    /// Returns what is wrong with a plan; an independent check, from the definition.
    pub fn fault(&self, plan: &Choice) -> Option<String> {
        let chosen = |index: usize| &self.activities[index].modes[plan.mode[index]];
        let span = |index: usize| (plan.start[index], plan.start[index] + chosen(index).duration);
        for (index, before) in self.before.iter().enumerate() {
            if plan.start[index] < 0 || before.iter().any(|&other| span(other).1 > span(index).0) {
                return Some(format!("activity {} starts too early", index + 1));
            }
        }
        for (resource, most) in self.held.iter().enumerate() {
            for moment in plan.start.iter() {
                let at_work = (0..self.activities.len()).filter(|&index| {
                    let (start, end) = span(index);
                    start <= *moment && *moment < end
                });
                if at_work.map(|index| chosen(index).held[resource]).sum::<i64>() > *most {
                    return Some(format!("too much of resource R{} is held at {moment}", resource + 1));
                }
            }
        }
        for (resource, most) in self.used.iter().enumerate() {
            if (0..self.activities.len()).map(|index| chosen(index).used[resource]).sum::<i64>() > *most {
                return Some(format!("resource N{} is used up", resource + 1));
            }
        }
        None
    }
}

/// A start and a mode for each activity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// When it starts.
    pub start: Vec<i64>,
    /// Which of its modes it is.
    pub mode: Vec<usize>,
    /// When the last one ends.
    pub makespan: i64,
}

/// What came of a search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The best plan.
    pub plan: Option<Choice>,
    /// No plan ends sooner.
    pub bound: i64,
    /// Nothing is left to search: the plan is best, or there is none.
    pub finished: bool,
}

/// Searches until all is decided, somebody says stop, or so many nodes have been looked at. Each better plan and the bound
/// are told to `on_better`.
pub fn solve(project: &Project, nodes: Option<u64>, stop: &dyn Stop, on_better: &mut dyn FnMut(i64, i64)) -> Found {
    let Some(modes) = useful_modes(project) else { return Found { plan: None, bound: 0, finished: true } };
    let mut search = Search::new(project, modes, nodes, stop);
    let bound = search.bound();
    let finished = search.descend(&mut |makespan| on_better(makespan, bound));
    let best = search.best.as_ref().map(|best| best.makespan);
    let bound = if finished { best.unwrap_or(bound) } else { best.map_or(bound, |best| best.min(bound)) };
    Found { plan: search.best, bound, finished }
}
