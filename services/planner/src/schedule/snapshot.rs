//! A schedule without its timelines: small, and quick to copy.

use fitup_model::Cost;

use super::{Schedule, Stay};
use crate::compile::Step;

/// Where everything stood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// The cost of the whole.
    pub cost: Cost,
    start: Vec<Step>,
    end: Vec<Step>,
    mode: Vec<u16>,
    placed: Vec<bool>,
    stays: Vec<Stay>,
    planned: Vec<bool>,
    price: Vec<Cost>,
}

impl Snapshot {
    /// Returns the number of cars that are planned.
    pub fn planned(&self) -> usize {
        self.planned.iter().filter(|planned| **planned).count()
    }
}

impl Schedule<'_> {
    /// Returns where everything stands; `cost` is that of the schedule.
    pub fn snapshot(&self, cost: Cost) -> Snapshot {
        Snapshot {
            cost,
            start: self.start.clone(),
            end: self.end.clone(),
            mode: self.mode.clone(),
            placed: self.placed.clone(),
            stays: self.stays.clone(),
            planned: self.planned.clone(),
            price: self.price.clone(),
        }
    }

    /// Overwrites `snapshot` with where everything stands, without allocating.
    pub fn snapshot_into(&self, cost: Cost, snapshot: &mut Snapshot) {
        snapshot.cost = cost;
        snapshot.start.copy_from_slice(&self.start);
        snapshot.end.copy_from_slice(&self.end);
        snapshot.mode.copy_from_slice(&self.mode);
        snapshot.placed.copy_from_slice(&self.placed);
        snapshot.stays.copy_from_slice(&self.stays);
        snapshot.planned.copy_from_slice(&self.planned);
        snapshot.price.copy_from_slice(&self.price);
    }

    /// Makes this schedule stand as `snapshot` says.
    pub fn load(&mut self, snapshot: &Snapshot) {
        let compiled = self.compiled;
        for index in 0..self.placed.len() {
            if self.placed[index] {
                self.lift(index);
            }
        }
        for visit in 0..self.stays.len() {
            if !compiled.visits[visit].operations.is_empty() {
                self.hide(visit);
            }
        }
        for index in 0..self.placed.len() {
            if snapshot.placed[index] {
                self.put(index, snapshot.start[index], snapshot.end[index], usize::from(snapshot.mode[index]));
            } else {
                self.mode[index] = snapshot.mode[index];
            }
        }
        for visit in 0..self.stays.len() {
            if !compiled.visits[visit].operations.is_empty() {
                let stay = snapshot.stays[visit];
                self.stays[visit] = Stay { shown: None, ..stay };
                if let Some((start, end)) = stay.shown {
                    self.show(visit, start, end);
                }
            }
        }
        self.planned.copy_from_slice(&snapshot.planned);
        self.price.copy_from_slice(&snapshot.price);
    }
}
