//! What comes after what among the operations that there are.
//!
//! The rule book links kinds. Where a kind is missing, what comes after it comes after what was before it. Links that
//! others imply are left out, so that the drawing stays readable.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use fitup_model::Faults;
use fitup_model::order::OrderLink;
use fitup_model::take_in::Override;

use super::Key;
use crate::book::RuleBook;
use crate::graph;

/// Shortest and longest wait.
type Wait = (u32, Option<u32>);

/// Returns the links between the operations `keys`, which are called `ids`; lines of the panels `gives` give to them.
pub fn links(
    book: &RuleBook,
    keys: &[Key],
    (ids, gives): (&[String], &[BTreeSet<String>]),
    overrides: &[Override],
    resting: &mut Vec<String>,
    faults: &mut Faults,
) -> Vec<OrderLink> {
    let mut found = bridged(book, keys, gives);
    let index = |id: &str| ids.iter().position(|other| other == id);
    for (number, settled) in overrides.iter().enumerate() {
        let (Override::Link { from, to, .. } | Override::Unlink { from, to }) = settled else { continue };
        let (Some(first), Some(then)) = (index(from), index(to)) else {
            resting.push(format!("order of {from} and {to}: no line makes both"));
            continue;
        };
        match settled {
            Override::Link { min_wait_minutes, max_wait_minutes, .. } => {
                found.insert((first, then), (*min_wait_minutes, *max_wait_minutes));
                let pairs: Vec<(usize, usize)> = found.keys().copied().collect();
                if first == then || graph::reached(ids.len(), &pairs, then)[first] {
                    found.remove(&(first, then));
                    let message = format!("{to:?} cannot come after {from:?}, which comes after it");
                    faults.add(format!("overrides[{number}].link"), message);
                }
            }
            _ => {
                if found.remove(&(first, then)).is_none() {
                    resting.push(format!("{to} does not come right after {from} as it is"));
                }
            }
        }
    }
    reduce(ids.len(), &mut found);
    let link = |(&(first, then), &(min_wait_minutes, max_wait_minutes)): (&(usize, usize), &Wait)| OrderLink {
        from: ids[first].clone(),
        to: ids[then].clone(),
        min_wait_minutes,
        max_wait_minutes,
    };
    found.iter().map(link).collect()
}

/// Links the operations that there are over those that there are not.
///
/// A wait is about two operations that follow each other in the book; over missing ones there is none.
fn bridged(book: &RuleBook, keys: &[Key], gives: &[BTreeSet<String>]) -> BTreeMap<(usize, usize), Wait> {
    let mut panels: Vec<Option<&String>> = vec![None];
    for (_, panel) in keys {
        if panel.is_some() && !panels.contains(&panel.as_ref()) {
            panels.push(panel.as_ref());
        }
    }
    let position = |id: &str| book.operations.iter().position(|template| template.id == id);
    // What follows each template directly, by index; the book has them in an order that respects it.
    let mut after: Vec<Vec<(usize, Wait)>> = vec![Vec::new(); book.operations.len()];
    for follow in &book.follows {
        if let (Some(first), Some(then)) = (position(&follow.first), position(&follow.then)) {
            after[first].push((then, (follow.min_wait_minutes, follow.max_wait_minutes)));
        }
    }
    let present: BTreeMap<(usize, Option<&String>), usize> =
        keys.iter().enumerate().map(|(index, (template, panel))| ((*template, panel.as_ref()), index)).collect();
    let scopes = |template: usize| {
        let of: Vec<Option<&String>> = if book.operations[template].per_panel { panels.clone() } else { vec![None] };
        of
    };
    let mut found: BTreeMap<(usize, usize), Wait> = BTreeMap::new();
    for (index, (template, panel)) in keys.iter().enumerate() {
        // Places that are missing and are reached, by template; `true` at the operation itself.
        let mut open: BTreeMap<(usize, Option<&String>), bool> = BTreeMap::new();
        open.insert((*template, panel.as_ref()), true);
        while let Some(((at, of), direct)) = open.pop_first() {
            for &(next, (shortest, longest)) in &after[at] {
                for scope in scopes(next) {
                    // One panel's work does not wait for another's.
                    if of.is_some() && scope.is_some() && of != scope {
                        continue;
                    }
                    // What has no part in a panel of its own neither waits nor keeps others from waiting.
                    let is_own = |then: &usize| match panel {
                        Some(panel) if book.operations[*template].own => {
                            scope == Some(panel) || gives[*then].contains(panel)
                        }
                        _ => true,
                    };
                    let Some(then) = present.get(&(next, scope)).copied().filter(is_own) else {
                        open.insert((next, scope), false);
                        continue;
                    };
                    let known = found.entry((index, then)).or_insert((0, None));
                    if direct {
                        known.0 = known.0.max(shortest);
                        known.1 = known.1.into_iter().chain(longest).min().filter(|longest| *longest >= known.0);
                    }
                }
            }
        }
    }
    found
}

/// Removes links without waits that others imply.
fn reduce(count: usize, links: &mut BTreeMap<(usize, usize), Wait>) {
    let pairs: Vec<(usize, usize)> = links.keys().copied().collect();
    let reached: Vec<Vec<bool>> = (0..count).map(|from| graph::reached(count, &pairs, from)).collect();
    let implied: HashSet<(usize, usize)> = pairs
        .iter()
        .copied()
        .filter(|&(from, to)| {
            links[&(from, to)] == (0, None)
                && pairs.iter().any(|&(other, by)| other == from && by != to && reached[by][to])
        })
        .collect();
    links.retain(|pair, _| !implied.contains(pair));
}
