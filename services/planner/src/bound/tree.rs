//! Each car as an in-tree of operations: what the dynamic programme prices.
//!
//! An operation with several operations after it keeps the link to one of them; the other links are dropped. A plan
//! keeps all links, so that what is cheapest with some of them costs no more.

use super::resources::{Kind, Resource, choices};
use crate::compile::{Compiled, Link, NEVER, Step, price};
use fitup_model::Cost;

/// Resources that are paid together, with the number of units of each.
pub(super) type Combination = Vec<(u32, i64)>;

/// Modes that differ in their people alone: they end at the same time.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// Index of the calendar.
    pub calendar: u32,
    /// Open steps.
    pub length: Step,
    /// Positions in [`Compiled::modes_of`].
    pub modes: Vec<u16>,
}

/// A link to an operation before that was kept.
#[derive(Debug, Clone, Copy)]
pub(super) struct Branch {
    /// Position in [`Tree::nodes`].
    pub node: u32,
    /// Shortest wait.
    pub min: Step,
    /// Longest wait, or [`NEVER`].
    pub max: Step,
    /// Combination that is paid while waiting: the bay in which the car stays.
    pub stay: Option<u32>,
}

/// An operation in a tree.
#[derive(Debug, Clone)]
pub(super) struct Node {
    /// Index of the operation.
    pub operation: u32,
    /// Operations before it, in this tree.
    pub branches: Vec<Branch>,
    /// Position of the operation after it; `None` for the last ones.
    pub next: Option<u32>,
    /// Combination that is paid from start to end: the bays of visits on the way, and the equipment.
    pub held: Option<u32>,
    /// Ways to do it.
    pub groups: Vec<Group>,
    /// First and last start that matter.
    pub start: (Step, Step),
    /// First and last end that matter.
    pub end: (Step, Step),
}

/// A car.
#[derive(Debug, Clone)]
pub(super) struct Tree {
    /// Operations, each after those before it.
    pub nodes: Vec<Node>,
    /// First and last completion that matter.
    pub completion: (Step, Step),
    /// Visits with the first and the last node of the chain that pays for the bay.
    pub stays: Vec<(u32, u32, u32)>,
}

/// All cars, and what they pay for in combination.
#[derive(Debug, Clone)]
pub(super) struct Forest {
    pub trees: Vec<Tree>,
    pub combinations: Vec<Combination>,
}

impl Forest {
    /// Returns the trees of all cars.
    pub fn new(compiled: &Compiled, resources: &[Resource]) -> Forest {
        let mut combinations = Vec::new();
        let trees = (0..compiled.cars.len()).map(|car| tree(compiled, resources, car, &mut combinations)).collect();
        Forest { trees, combinations }
    }

    /// Cuts off completions of each car that cost more than `slack` above its least price.
    pub fn limit(&mut self, compiled: &Compiled, slack: Cost) {
        for (car, tree) in self.trees.iter_mut().enumerate() {
            let most = compiled.cars[car].least.saturating_add(slack);
            let (mut low, mut high) = (0, compiled.clock.horizon);
            while low < high {
                let middle = low + (high - low + 1) / 2;
                if price::of_completion(compiled, car, middle) <= most {
                    low = middle;
                } else {
                    high = middle - 1;
                }
            }
            tree.completion.1 = low;
            for node in &mut tree.nodes {
                let operation = &compiled.operations[node.operation as usize];
                node.end.1 = node.end.1.min(low - (operation.tail - operation.shortest));
                node.start.1 = node.start.1.min(node.end.1 - operation.shortest);
            }
        }
    }
}

fn tree(compiled: &Compiled, resources: &[Resource], car: usize, combinations: &mut Vec<Combination>) -> Tree {
    let order = &compiled.cars[car].operations;
    let position = |operation: u32| order.iter().position(|&other| other == operation);
    let horizon = compiled.clock.horizon;
    let mut nodes: Vec<Node> = order
        .iter()
        .map(|&index| {
            let operation = &compiled.operations[index as usize];
            Node {
                operation: index,
                branches: Vec::new(),
                next: None,
                held: None,
                groups: groups(compiled, index as usize),
                start: (operation.head.clamp(0, horizon), operation.latest.min(horizon)),
                end: (compiled.earliest_end(index as usize).clamp(0, horizon), horizon),
            }
        })
        .collect();
    let mut kept: Vec<Option<Link>> = Vec::new();
    for node in 0..nodes.len() {
        let link = kept_link(compiled, order[node]);
        kept.push(link);
        nodes[node].next = link.and_then(|link| position(link.other)).map(|next| next as u32);
    }
    // What is paid: over each node, and over the wait from each node to the next.
    let mut held: Vec<Combination> = vec![Vec::new(); nodes.len()];
    let mut stay: Vec<Combination> = vec![Vec::new(); nodes.len()];
    let mut stays = Vec::new();
    for &visit in &compiled.cars[car].visits {
        let chain = chain(compiled, &nodes, visit);
        let (Some(&first), Some(&last)) = (chain.first(), chain.last()) else { continue };
        stays.push((visit, first as u32, last as u32));
        let sets = sets_of(compiled, resources, visit as usize);
        for &node in &chain {
            held[node].extend(&sets);
            if node != last {
                stay[node].extend(&sets);
            }
        }
    }
    let first_pool = resources.iter().position(|resource| matches!(resource.kind, Kind::Pool(_)));
    for node in 0..nodes.len() {
        let needs = compiled.needs_of(order[node] as usize).iter();
        let first_pool = first_pool.unwrap_or(0) as u32;
        held[node].extend(needs.map(|&(pool, units)| (first_pool + u32::from(pool), i64::from(units))));
        nodes[node].held = number(std::mem::take(&mut held[node]), combinations);
        if let (Some(next), Some(link)) = (nodes[node].next, kept[node]) {
            let stay = number(std::mem::take(&mut stay[node]), combinations);
            let branch = Branch { node: node as u32, min: link.min, max: link.max, stay };
            nodes[next as usize].branches.push(branch);
        }
    }
    Tree { nodes, completion: (0, horizon), stays }
}

/// Returns the number of a combination; equal ones share it.
fn number(mut parts: Combination, combinations: &mut Vec<Combination>) -> Option<u32> {
    if parts.is_empty() {
        return None;
    }
    parts.sort_unstable();
    let known = combinations.iter().position(|other| *other == parts);
    let number = known.unwrap_or_else(|| {
        combinations.push(parts);
        combinations.len() - 1
    });
    Some(number as u32)
}

fn groups(compiled: &Compiled, operation: usize) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for (position, mode) in compiled.modes_of(operation).iter().enumerate() {
        let alike = |group: &&mut Group| group.calendar == mode.calendar && group.length == mode.length;
        match groups.iter_mut().find(alike) {
            Some(group) => group.modes.push(position as u16),
            None => {
                groups.push(Group { calendar: mode.calendar, length: mode.length, modes: vec![position as u16] });
            }
        }
    }
    groups
}

/// Returns the link to keep: inside the visit, then with a longest wait, then to the longest rest.
fn kept_link(compiled: &Compiled, index: u32) -> Option<Link> {
    let operation = &compiled.operations[index as usize];
    let links = compiled.links_of(operation.after).iter().copied();
    links.max_by_key(|link| {
        let after = &compiled.operations[link.other as usize];
        let inside = operation.visit.is_some() && operation.visit == after.visit;
        (inside, link.max < NEVER, after.tail, std::cmp::Reverse(link.other))
    })
}

/// Returns the nodes, in order, of the chain that pays for the bay of `visit`: from one operation of it to another along
/// kept links, as much of its work as possible in between.
///
/// The bay is held from the first start to the last end of the visit, which encloses every such chain.
fn chain(compiled: &Compiled, nodes: &[Node], visit: u32) -> Vec<usize> {
    let own = |node: usize| compiled.operations[nodes[node].operation as usize].visit == Some(visit);
    let length = |node: usize| compiled.operations[nodes[node].operation as usize].shortest;
    let mut best: (Step, Vec<usize>) = (-1, Vec::new());
    for first in (0..nodes.len()).filter(|&node| own(node)) {
        let (mut path, mut ends_at, mut work) = (vec![first], 1, length(first));
        let mut at = first;
        while let Some(next) = nodes[at].next {
            at = next as usize;
            path.push(at);
            if own(at) {
                ends_at = path.len();
                work += length(at);
            }
        }
        path.truncate(ends_at);
        if work > best.0 {
            best = (work, path);
        }
    }
    best.1
}

/// Returns the sets of bays that a visit uses a unit of: those that it cannot leave.
fn sets_of(compiled: &Compiled, resources: &[Resource], visit: usize) -> Combination {
    let own = choices(compiled, visit);
    let mut sets = Vec::new();
    for (index, resource) in resources.iter().enumerate() {
        if let Kind::Bays(set) = &resource.kind
            && !own.is_empty()
            && own.iter().all(|bay| set.contains(bay))
        {
            sets.push((index as u32, 1));
        }
    }
    sets
}
