//! What is left to decide: the ways to place each operation that occur in plans cheaper than the target.

use super::pricing::Pricing;
use super::resources::Kind;
use super::tree::Group;
use super::{Bounder, Stopped, lattice::SCALE};
use crate::compile::Step;
use crate::stop::Stop;
use fitup_model::Cost;

/// A way to place an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Way {
    /// Position in [`crate::compile::Compiled::modes_of`].
    pub mode: u16,
    /// First step.
    pub start: Step,
    /// The step after the last.
    pub end: Step,
}

/// A visit by the chain of operations that holds its bay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    /// The visit.
    pub visit: u32,
    /// The operation whose start begins it.
    pub first: u32,
    /// The operation whose end ends it.
    pub last: u32,
}

/// A set of bays that some visits cannot leave.
#[derive(Debug, Clone)]
pub struct BaySet {
    /// Free bays in each step.
    pub free: Vec<u16>,
    /// Positions in [`Remaining::stays`].
    pub stays: Vec<usize>,
}

/// What plans cheaper than `target` can look like.
#[derive(Debug, Clone)]
pub struct Remaining {
    /// Only cheaper plans count.
    pub target: Cost,
    /// By operation: all ways that it can be placed; none for facts.
    pub ways: Vec<Vec<Way>>,
    /// By car: whether such a plan may leave it out.
    pub optional: Vec<bool>,
    /// By car: whether such a plan may include it.
    pub possible: Vec<bool>,
    /// Visits.
    pub stays: Vec<Stay>,
    /// Sets of bays.
    pub bay_sets: Vec<BaySet>,
}

impl Remaining {
    /// Returns the number of ways of all operations.
    pub fn size(&self) -> usize {
        self.ways.iter().map(Vec::len).sum()
    }
}

/// What is left of plans cheaper than some target.
#[derive(Debug, Clone)]
pub enum Left {
    /// No plan.
    Nothing,
    /// These.
    Some(Remaining),
    /// It was stopped before it knew.
    Unknown,
}

/// Looks at all cars before what is left below a target is told.
const LOOKS_BELOW: u32 = 2;

impl Bounder<'_> {
    /// Returns what is left of plans cheaper than `target`, which may be lower than that of the bounder; it stays as it is. For
    /// bounders that work.
    pub fn left_below(&self, target: Cost, stop: &dyn Stop) -> Left {
        let mut below = self.clone();
        below.exhausted = false;
        below.advance(Some(target), LOOKS_BELOW, stop);
        if below.is_closed() {
            return Left::Nothing;
        }
        let remaining = below.remaining(stop);
        match remaining {
            _ if below.is_closed() => Left::Nothing,
            Some(remaining) => Left::Some(remaining),
            None => Left::Unknown,
        }
    }

    /// Returns what is left to decide at the best multipliers; `None` if there is no target yet, or it was stopped.
    pub fn remaining(&mut self, stop: &dyn Stop) -> Option<Remaining> {
        let target = self.target?;
        self.narrow(stop).ok()?;
        if self.is_closed() {
            return None;
        }
        self.volume.restore(&mut self.resources);
        let value = self.look(stop, |_, _, _, _| ()).ok()?.value;
        let slack = self.slack(value);
        let (optional, compiled) = (self.optional.clone(), self.compiled);
        let mut ways: Vec<Vec<Way>> = vec![Vec::new(); compiled.operations.len()];
        let mut possible = vec![false; compiled.cars.len()];
        let mut stays = Vec::new();
        let found: Result<_, Stopped> = self.look(stop, |pricing, car, tree, (own, scratch)| {
            let left_out = if optional[car] { compiled.cars[car].left_out * SCALE } else { super::NO };
            let limit = own.min(left_out) + slack;
            possible[car] = own <= limit;
            if own > limit || tree.nodes.is_empty() {
                return;
            }
            pricing.backward(car, tree, scratch);
            for (number, node) in tree.nodes.iter().enumerate() {
                let own = &mut ways[node.operation as usize];
                each_way(pricing, node, number, scratch, limit, own);
            }
            stays.extend(tree.stays.iter().map(|&(visit, first, last)| Stay {
                visit,
                first: tree.nodes[first as usize].operation,
                last: tree.nodes[last as usize].operation,
            }));
        });
        found.ok()?;
        let mut bay_sets = Vec::new();
        for resource in &self.resources {
            let Kind::Bays(set) = &resource.kind else { continue };
            let inside = |visit: u32| {
                let choices = super::resources::choices(compiled, visit as usize);
                choices.iter().all(|bay| set.contains(bay))
            };
            let stays = (0..stays.len()).filter(|&stay: &usize| inside(stays[stay].visit)).collect();
            bay_sets.push(BaySet { free: resource.free().to_vec(), stays });
        }
        Some(Remaining { target, ways, optional, possible, stays, bay_sets })
    }
}

/// Collects the ways of a node in timetables of at most `limit`, each mode for itself.
fn each_way(
    pricing: Pricing,
    node: &super::tree::Node,
    number: usize,
    scratch: &mut super::Scratch,
    limit: i64,
    ways: &mut Vec<Way>,
) {
    let busy = &pricing.compiled.busy_people;
    let mut alone = node.clone();
    for group in &node.groups {
        for &mode in &group.modes {
            alone.groups = vec![Group { modes: vec![mode], ..group.clone() }];
            let people =
                pricing.compiled.people_of(&pricing.compiled.modes_of(node.operation as usize)[usize::from(mode)]);
            pricing.options(&alone, number, scratch, |placed, price| {
                let taken = |&person: &u16| {
                    busy[usize::from(person)].iter().any(|&(from, until)| placed.start < until && from < placed.end)
                };
                if price <= limit && !people.iter().any(taken) {
                    ways.push(Way { mode, start: placed.start, end: placed.end });
                }
            });
        }
    }
    ways.sort_unstable_by_key(|way| (way.start, way.end, way.mode));
}
