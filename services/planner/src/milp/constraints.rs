//! The rules of a plan as rows, one function each.
//!
//! What is not here (changeovers, which bay of a set, same persons, room outside) only forbids plans or makes them
//! dearer, so that the optimum of the program is a lower bound whatever the problem uses.

use std::collections::BTreeMap;

use good_lp::{Constraint, Expression, ProblemVariables, constraint, variable};

use super::variables::{Progress, Variables, last_operations};
use crate::bound::remaining::Remaining;
use crate::compile::{Compiled, NEVER, Step};

/// Returns the rows of all rules; occupancies add variables of their own.
pub fn all(
    compiled: &Compiled,
    remaining: &Remaining,
    variables: &Variables,
    into: &mut ProblemVariables,
) -> Vec<Constraint> {
    let mut rows = Vec::new();
    placed_once(compiled, remaining, variables, &mut rows);
    progress_follows(remaining, variables, &mut rows);
    shortest_waits(compiled, variables, &mut rows);
    longest_waits(compiled, variables, &mut rows);
    done_after_last(compiled, variables, &mut rows);
    people(compiled, remaining, variables, into, &mut rows);
    equipment(compiled, remaining, variables, into, &mut rows);
    bays(remaining, variables, &mut rows);
    rows
}

/// Every operation of a planned car is placed in exactly one way.
fn placed_once(compiled: &Compiled, remaining: &Remaining, variables: &Variables, rows: &mut Vec<Constraint>) {
    for (car, data) in compiled.cars.iter().enumerate().filter(|(car, _)| remaining.possible[*car]) {
        let planned = variables.planned[car].map_or(Expression::from(1.0), Expression::from);
        for &index in &data.operations {
            let ways: Expression = variables.placed[index as usize].iter().sum();
            rows.push(constraint!(ways == planned.clone()));
        }
    }
}

/// `started(t) - started(t - 1)` = what is placed with its start in t, and the same for ends.
fn progress_follows(remaining: &Remaining, variables: &Variables, rows: &mut Vec<Constraint>) {
    for (index, ways) in remaining.ways.iter().enumerate() {
        let mut follow = |progress: &Progress, step: &dyn Fn(usize) -> Step| {
            let mut growth: BTreeMap<Step, Expression> = BTreeMap::new();
            for (position, &placed) in variables.placed[index].iter().enumerate() {
                *growth.entry(step(position)).or_default() += placed;
            }
            let mut before = Expression::from(0.0);
            for ((_, growth), &(_, now)) in growth.into_iter().zip(&progress.by) {
                rows.push(constraint!(before + growth == now));
                before = now.into();
            }
        };
        follow(&variables.started[index], &|position| ways[position].start);
        follow(&variables.ended[index], &|position| ways[position].end);
    }
}

/// `started(after, t) <= ended(before, t - shortest wait)` for all t.
fn shortest_waits(compiled: &Compiled, variables: &Variables, rows: &mut Vec<Constraint>) {
    for (index, operation) in compiled.operations.iter().enumerate().filter(|(_, operation)| !operation.is_fact) {
        for link in compiled.links_of(operation.before) {
            let ended = &variables.ended[link.other as usize];
            let by = &variables.started[index].by;
            for (position, &(step, started)) in by.iter().enumerate() {
                let own = ended.position(step - link.min);
                // Of steps with the same right side the last one says it all.
                let next = by.get(position + 1).map(|(next, _)| ended.position(next - link.min));
                // Once all has ended the row says nothing.
                if Some(own) == next || own == ended.by.len().checked_sub(1) {
                    continue;
                }
                rows.push(constraint!(started <= ended.at(step - link.min)));
            }
        }
    }
}

/// `ended(before, t) <= started(after, t + longest wait)` for all t.
fn longest_waits(compiled: &Compiled, variables: &Variables, rows: &mut Vec<Constraint>) {
    for (index, operation) in compiled.operations.iter().enumerate().filter(|(_, operation)| !operation.is_fact) {
        for link in compiled.links_of(operation.before).iter().filter(|link| link.max < NEVER) {
            let started = &variables.started[index];
            let by = &variables.ended[link.other as usize].by;
            for (position, &(step, ended)) in by.iter().enumerate() {
                let own = started.position(step + link.max);
                let next = by.get(position + 1).map(|(next, _)| started.position(next + link.max));
                if Some(own) != next && own != started.by.len().checked_sub(1) {
                    rows.push(constraint!(ended <= started.at(step + link.max)));
                }
            }
        }
    }
}

/// `done(t) <= ended(t)` for each operation that none comes after.
fn done_after_last(compiled: &Compiled, variables: &Variables, rows: &mut Vec<Constraint>) {
    for car in 0..compiled.cars.len() {
        for index in last_operations(compiled, car) {
            for &(step, done) in &variables.done[car].by {
                rows.push(constraint!(done <= variables.ended[index].at(step)));
            }
        }
    }
}

/// In every step each person is on at most one operation.
fn people(
    compiled: &Compiled,
    remaining: &Remaining,
    variables: &Variables,
    into: &mut ProblemVariables,
    rows: &mut Vec<Constraint>,
) {
    for person in 0..compiled.busy_people.len() {
        let units = |index: usize, mode: u16| {
            let mode = &compiled.modes_of(index)[usize::from(mode)];
            u16::from(compiled.people_of(mode).contains(&(person as u16)))
        };
        occupancy(remaining, variables, &units, &|_| 1, into, rows);
    }
}

/// In every step no more pieces of a pool are in use than are free.
fn equipment(
    compiled: &Compiled,
    remaining: &Remaining,
    variables: &Variables,
    into: &mut ProblemVariables,
    rows: &mut Vec<Constraint>,
) {
    for (pool, data) in compiled.pools.iter().enumerate() {
        let units = |index: usize, _| {
            let needs = compiled.needs_of(index).iter().find(|(other, _)| usize::from(*other) == pool);
            needs.map_or(0, |(_, units)| *units)
        };
        let free = |step| {
            let busy = data.busy.iter().filter(|(from, until, _)| (*from..*until).contains(&step));
            data.capacity.saturating_sub(busy.map(|(_, _, pieces)| *pieces).sum())
        };
        occupancy(remaining, variables, &units, &free, into, rows);
    }
}

/// `occupied(t) = occupied(t - 1) + what starts in t - what ends in t`, between 0 and what is free.
fn occupancy(
    remaining: &Remaining,
    variables: &Variables,
    units: &dyn Fn(usize, u16) -> u16,
    free: &dyn Fn(Step) -> u16,
    into: &mut ProblemVariables,
    rows: &mut Vec<Constraint>,
) {
    let mut changes: BTreeMap<Step, Expression> = BTreeMap::new();
    let mut users = 0;
    for (index, ways) in remaining.ways.iter().enumerate() {
        let before = changes.len();
        for (way, &placed) in ways.iter().zip(&variables.placed[index]) {
            let units = f64::from(units(index, way.mode));
            if units > 0.0 && way.start < way.end {
                *changes.entry(way.start).or_default() += units * placed;
                *changes.entry(way.end).or_default() -= units * placed;
            }
        }
        users += usize::from(changes.len() > before);
    }
    if users == 0 {
        return;
    }
    let mut before = Expression::from(0.0);
    let steps: Vec<Step> = changes.keys().copied().collect();
    for (position, (step, change)) in changes.into_iter().enumerate() {
        let until = steps.get(position + 1).copied().unwrap_or(step + 1);
        let least = (step..until).map(free).min().unwrap_or(0);
        let occupied = into.add(variable().min(0).max(f64::from(least)));
        rows.push(constraint!(before + change == occupied));
        before = occupied.into();
    }
}

/// In every step no more visits that cannot leave a set of bays have begun and not ended than bays of it are free.
fn bays(remaining: &Remaining, variables: &Variables, rows: &mut Vec<Constraint>) {
    for set in &remaining.bay_sets {
        let mut steps: Vec<Step> = Vec::new();
        for &stay in &set.stays {
            let first = remaining.stays[stay].first as usize;
            steps.extend(variables.started[first].by.iter().map(|(step, _)| *step));
        }
        let closes = |step: &usize| *step > 0 && set.free[*step] < set.free[*step - 1];
        steps.extend((0..set.free.len()).filter(closes).map(|step| step as Step));
        steps.sort_unstable();
        steps.dedup();
        for step in steps {
            let free = set.free.get(step as usize).copied().unwrap_or(0);
            let mut inside = Expression::from(0.0);
            let mut count = 0;
            for &stay in &set.stays {
                let stay = remaining.stays[stay];
                let (started, ended) = (&variables.started[stay.first as usize], &variables.ended[stay.last as usize]);
                let begins = started.by.first().is_some_and(|(first, _)| *first <= step);
                let over = ended.by.last().is_none_or(|(last, _)| *last <= step);
                if begins && !over {
                    inside += started.at(step) - ended.at(step);
                    count += 1;
                }
            }
            if count > free {
                rows.push(constraint!(inside <= f64::from(free)));
            }
        }
    }
}
