//! The variables of the time-indexed program.

use std::collections::BTreeMap;

use good_lp::{Expression, ProblemVariables, Variable, variable};

use crate::bound::remaining::Remaining;
use crate::compile::{Compiled, Step};

/// A quantity that only grows, from 0 to 1: what has happened by each step. Sorted by step, constant in between.
#[derive(Debug, Clone, Default)]
pub struct Progress {
    /// Steps at which it may grow, with its value from there on.
    pub by: Vec<(Step, Variable)>,
}

impl Progress {
    /// Returns the position of the value at `step`; `None` if nothing has happened yet.
    pub fn position(&self, step: Step) -> Option<usize> {
        self.by.partition_point(|(at, _)| *at <= step).checked_sub(1)
    }

    /// Returns the value at `step`.
    pub fn at(&self, step: Step) -> Expression {
        self.position(step).map_or(Expression::from(0.0), |position| self.by[position].1.into())
    }
}

/// All variables.
#[derive(Debug, Clone)]
pub struct Variables {
    /// By operation, by position in [`Remaining::ways`]: 1 if it is placed that way.
    pub placed: Vec<Vec<Variable>>,
    /// By operation: whether it has started by a step.
    pub started: Vec<Progress>,
    /// By operation: whether it has ended by a step.
    pub ended: Vec<Progress>,
    /// By car: whether all of it has ended by a step.
    pub done: Vec<Progress>,
    /// By car: 1 if it is planned; `None` if that is not open.
    pub planned: Vec<Option<Variable>>,
}

impl Variables {
    /// Adds a binary for each way to place an operation, and what follows from these as numbers from 0 to 1.
    pub fn new(compiled: &Compiled, remaining: &Remaining, into: &mut ProblemVariables) -> Variables {
        let mut unit = |count: usize| into.add_vector(variable().min(0).max(1), count);
        let (mut started, mut ended) = (Vec::new(), Vec::new());
        for ways in &remaining.ways {
            started.push(progress(ways.iter().map(|way| way.start), &mut unit));
            ended.push(progress(ways.iter().map(|way| way.end), &mut unit));
        }
        let mut done = Vec::new();
        for car in 0..compiled.cars.len() {
            let ends = last_operations(compiled, car).flat_map(|index| &remaining.ways[index]).map(|way| way.end);
            done.push(progress(ends, &mut unit));
        }
        let placed = remaining.ways.iter().map(|ways| into.add_vector(variable().binary(), ways.len())).collect();
        let planned = (0..compiled.cars.len())
            .map(|car| (remaining.optional[car] && remaining.possible[car]).then(|| into.add(variable().binary())))
            .collect();
        Variables { placed, started, ended, done, planned }
    }
}

fn progress(steps: impl Iterator<Item = Step>, unit: &mut impl FnMut(usize) -> Vec<Variable>) -> Progress {
    let steps: BTreeMap<Step, ()> = steps.map(|step| (step, ())).collect();
    let variables = unit(steps.len());
    Progress { by: steps.into_keys().zip(variables).collect() }
}

/// Returns the operations of a car that none comes after.
pub fn last_operations(compiled: &Compiled, car: usize) -> impl Iterator<Item = usize> {
    let operations = compiled.cars[car].operations.iter().map(|&index| index as usize);
    operations.filter(|&index| compiled.operations[index].after.is_empty())
}
