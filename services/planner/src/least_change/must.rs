//! What moves whatever one does: no plan leaves it where it is published, unless it leaves out a car.

use std::collections::BTreeSet;

use fitup_model::keyed::{BayId, Key, OperationId, VisitId};
use fitup_model::{Plan, Problem, Time};

use crate::compile::modes::MOST;
use crate::compile::{Compiled, Mode, NEVER};

/// What no plan that leaves out no car leaves where it is published, of the operations that are to start soon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Must {
    /// Operations that move in every plan: they wait for what is late, or stand in a bay that cannot be left before.
    pub moved: BTreeSet<OperationId>,
    /// Stays in a bay that now last into others, of which either the one side moves or the other.
    pub either: Vec<Either>,
}

/// A stay that lasts into others of its bay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Either {
    bay: BayId,
    /// Those of the stay itself, before what is late.
    pub own: BTreeSet<OperationId>,
    /// Those of the stays that come after it.
    pub others: BTreeSet<OperationId>,
}

impl Must {
    /// Finds what must move of `near`, operations that `published` is to start soon. O(size of the problem).
    pub fn new(problem: &Problem, published: &Plan, near: &[OperationId]) -> Must {
        let compiled = Compiled::new(problem);
        let moved = near.iter().copied().filter(|&id| waits(&compiled, published, id)).collect();
        let mut must = Must { moved, either: Vec::new() };
        // First those in whose way nothing can stay: what they move is no choice any more.
        let has_begun = |visit: &VisitId| compiled.visits[visit.index()].fact.is_some();
        for visit in problem.visits.keys().filter(has_begun) {
            must.look_at(&compiled, published, near, visit);
        }
        for visit in problem.visits.keys().filter(|visit| !has_begun(visit)) {
            must.look_at(&compiled, published, near, visit);
        }
        must
    }

    /// Returns how many operations every plan moves at least.
    pub fn count(&self) -> usize {
        let mut bays: Vec<BayId> = self.either.iter().map(|either| either.bay).collect();
        bays.sort_unstable();
        bays.dedup();
        // Two stays in one bay may last into the same others: only the one that moves more is counted.
        let of_bay = |bay: BayId| {
            let own = self.either.iter().filter(move |either| either.bay == bay);
            own.map(|either| either.own.len().min(either.others.len())).max().unwrap_or(0)
        };
        self.moved.len() + bays.into_iter().map(of_bay).sum::<usize>()
    }

    /// Returns what to give up, in different ways, that with the fewest operations first.
    pub fn ways(&self, most: usize) -> Vec<BTreeSet<OperationId>> {
        let mut ways = vec![self.moved.clone()];
        for either in &self.either {
            let with = |way: &BTreeSet<OperationId>, more: &BTreeSet<OperationId>| way | more;
            ways = ways.iter().flat_map(|way| [with(way, &either.own), with(way, &either.others)]).collect();
            ways.sort_by_key(BTreeSet::len);
            ways.truncate(most);
        }
        ways
    }

    /// Notes in whose way the stay of a visit is, if it lasts longer now.
    fn look_at(&mut self, compiled: &Compiled, published: &Plan, near: &[OperationId], visit: VisitId) {
        let problem = compiled.problem;
        let data = &compiled.visits[visit.index()];
        let (Some(bay), Some(stay)) = (published.bays[visit], published.occupation(problem, visit)) else { return };
        let ends = data.operations.iter().map(|&index| compiled.earliest_end(index as usize));
        let Some(end) = ends.max().filter(|end| *end < NEVER) else { return };
        let end = compiled.clock.time(end);
        if end <= stay.end() {
            return;
        }
        let comes_after = |id: OperationId| {
            let Some(other) = problem.operations[id].visit else { return false };
            let start = |id: OperationId| published.operations[id].as_ref().map(|assignment| assignment.start);
            let begins = published.occupation(problem, other).map(|other| other.start());
            other != visit
                && published.bays[other] == Some(bay)
                && begins.is_some_and(|begins| stay.start() <= begins)
                && start(id).is_some_and(|start| start < end)
        };
        let still = |id: &OperationId| !self.moved.contains(id);
        let others: BTreeSet<_> = near.iter().copied().filter(|&id| comes_after(id)).filter(still).collect();
        if others.is_empty() {
            return;
        }
        let own = |id: &OperationId| problem.operations[*id].visit == Some(visit);
        let own: BTreeSet<_> = near.iter().copied().filter(own).filter(still).collect();
        match data.fact {
            // What has begun stays in its bay.
            Some(_) => self.moved.extend(others),
            // Nothing of it is to start where it stands: it may as well go to another bay.
            None if own.is_empty() => {}
            None => self.either.push(Either { bay, own, others }),
        }
    }
}

/// Tells whether an operation cannot stay: something before it is late, or something after it, which may not be long
/// after; or its people are not there.
fn waits(compiled: &Compiled, published: &Plan, id: OperationId) -> bool {
    let Some(assignment) = &published.operations[id] else { return false };
    let operation = &compiled.operations[id.index()];
    let minute = |step| Time::from_minutes(compiled.clock.minute(step));
    if minute(operation.head) > assignment.start {
        return true;
    }
    let start = compiled.clock.ceil(assignment.start);
    let modes = compiled.modes_of(id.index());
    // With its overtime and without it ends at different times.
    let end = |mode: &Mode| {
        let people = compiled.people_of(mode).iter().map(|&person| Key::from_index(usize::from(person)));
        let first = compiled.calendars[mode.calendar as usize].first(start, mode.length, operation.interruptible);
        (assignment.is_by(&people.collect::<Vec<_>>()) && first.0 == start).then_some(first.1)
    };
    if modes.len() >= MOST {
        return false;
    }
    let Some(end) = modes.iter().filter_map(end).max() else { return true };
    let mut after = compiled.links_of(operation.after).iter().filter(|link| link.max < NEVER);
    after.any(|link| {
        let head = compiled.operations[link.other as usize].head;
        head < NEVER && head > end + link.max
    })
}
