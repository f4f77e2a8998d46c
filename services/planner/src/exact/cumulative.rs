//! No more units than there are: reasoning by what must be in use (timetabling).
//!
//! A task surely runs from its latest start to its earliest end. Where these parts leave no room for another task, it
//! starts later or ends earlier. Explanations are pointwise, as in Schutt, Feydt, Stuckey and Wallace (2011),
//! doi:10.1007/s10601-010-9103-2.

use super::store::{Conflict, Fact, Store};

/// A time that is a variable and an offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    pub variable: u32,
    pub offset: i32,
}

impl Moment {
    pub(super) fn low(self, store: &Store) -> i32 {
        store.low(self.variable) + self.offset
    }

    pub(super) fn high(self, store: &Store) -> i32 {
        store.high(self.variable) + self.offset
    }

    pub(super) fn at_least(self, time: i32) -> Fact {
        Fact::at_least(self.variable, time - self.offset)
    }

    pub(super) fn at_most(self, time: i32) -> Fact {
        Fact::at_most(self.variable, time - self.offset)
    }
}

/// A task that uses units from its start to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Task {
    pub start: Moment,
    pub end: Moment,
    pub units: i32,
}

/// A resource.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cumulative {
    pub tasks: Vec<Task>,
    pub capacity: i32,
    /// Units that are not there, as `(start, end, units)`.
    pub busy: Vec<(i32, i32, i32)>,
}

impl Cumulative {
    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        for task in &self.tasks {
            wake(2 * task.start.variable + 1);
            wake(2 * task.end.variable);
        }
    }

    /// Draws what follows.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        let mut changes: Vec<(i32, i32)> = Vec::new();
        for task in &self.tasks {
            let (from, until) = (task.start.high(store), task.end.low(store));
            if from < until {
                changes.extend([(from, task.units), (until, -task.units)]);
            }
        }
        if changes.is_empty() && self.busy.is_empty() {
            return Ok(());
        }
        changes.extend(self.busy.iter().flat_map(|&(from, until, units)| [(from, units), (until, -units)]));
        changes.sort_unstable();
        let mut used = 0;
        let mut position = 0;
        while position < changes.len() {
            let from = changes[position].0;
            while position < changes.len() && changes[position].0 == from {
                used += changes[position].1;
                position += 1;
            }
            let Some(&(until, _)) = changes.get(position) else { break };
            if used > self.capacity {
                return Err(Conflict(self.why(store, from, self.capacity + 1, None)));
            }
            for (number, task) in self.tasks.iter().enumerate() {
                if used + task.units > self.capacity {
                    self.push_out(store, number, (from, until))?;
                }
            }
        }
        Ok(())
    }

    /// Moves a task out of `part`, where it finds no room beside what is in use.
    fn push_out(&self, store: &mut Store, number: usize, part: (i32, i32)) -> Result<(), Conflict> {
        let task = self.tasks[number];
        let (latest, soonest) = (task.start.high(store), task.end.low(store));
        let (from, until) = part;
        // What runs there itself is part of what is in use.
        if latest < soonest && latest <= from && until <= soonest {
            return Ok(());
        }
        let room = self.capacity - task.units + 1;
        // If it ends behind a step of the part it cannot start up to that step. A later start may move the end on.
        loop {
            let time = (task.end.low(store) - 1).min(until - 1);
            if time < from || task.start.low(store) > time {
                break;
            }
            let mut why = self.why(store, time, room, Some(number));
            why.push(task.end.at_least(time + 1));
            store.set(task.start.at_least(time + 1), &why)?;
        }
        let latest = task.start.high(store);
        if latest < until && task.end.high(store) > from {
            let time = from.max(latest);
            let mut why = self.why(store, time, room, Some(number));
            why.push(task.start.at_most(time));
            store.set(task.end.at_most(time), &why)?;
        }
        Ok(())
    }

    /// Returns facts by which at least `units` are in use at `time`, those of task `except` not counted.
    fn why(&self, store: &Store, time: i32, units: i32, except: Option<usize>) -> Vec<Fact> {
        let fixed = self.busy.iter().filter(|(from, until, _)| *from <= time && time < *until);
        let mut found: i32 = fixed.map(|(_, _, units)| units).sum();
        let mut facts = Vec::new();
        for (number, task) in self.tasks.iter().enumerate() {
            if found >= units {
                break;
            }
            if Some(number) != except && task.start.high(store) <= time && time < task.end.low(store) {
                facts.extend([task.start.at_most(time), task.end.at_least(time + 1)]);
                found += task.units;
            }
        }
        facts
    }
}
