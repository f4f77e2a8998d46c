//! Changed lines meet an order that there is already: what is done stays done.
//!
//! - What has started stays as it is. If lines now give an operation more hours than were booked for it, a *piece* of the
//!   same kind, `strip-s1`, holds the rest; a running operation gets the difference as work that is left.
//! - What the rule book does `again` (bake, mask, scan ..) is done again when what it follows is.
//! - What a person changed in the order itself since it was made stays: operations and links added by hand, and each
//!   field of an operation that is no longer what the lines before had made it.
//! - A visit that is over is not entered again: what comes later gets one of its own, of the same class.

use std::collections::BTreeMap;

use fitup_model::OrderFacts;
use fitup_model::order::{Need, OrderLink, OrderOperation, OrderVisit, Progress};

use crate::book::RuleBook;
use crate::build::{Built, MARK, Origin, drop_impossible_wishes, keep_possible_rework};

/// Returns the order with what `built` makes of it now; `before` is what its lines made before.
pub fn merge(book: &RuleBook, stored: &OrderFacts, before: Option<&Built>, built: Built) -> Built {
    let stored = &named_as_now(stored, &built.facts);
    let mut merging = Merging {
        stored,
        before: before.map(|before| &before.facts),
        operations: Vec::new(),
        origins: Vec::new(),
        pieces: BTreeMap::new(),
        new: Vec::new(),
    };
    for (operation, origin) in built.facts.operations.iter().zip(&built.origins) {
        merging.operation(book, &built.facts, operation, origin);
    }
    merging.keep_the_rest();
    let visits = merging.visits(&built.facts.visits);
    let links = merging.links(&built.facts);
    let Merging { operations, origins, .. } = merging;
    let kept = |needs: &[Need], new: Vec<Need>| {
        let mut all = new;
        for need in needs {
            let used = operations.iter().any(|operation| operation.needs.contains(&need.id));
            match all.iter_mut().find(|one| one.id == need.id) {
                // Received is received, whatever an older list of lines says.
                Some(one) if need.met => *one = Need { met: true, expected_time: None, ..one.clone() },
                Some(_) => {}
                None if used => all.push(need.clone()),
                None => {}
            }
        }
        all
    };
    let mut facts = OrderFacts {
        parts: kept(&stored.parts, built.facts.parts),
        approvals: kept(&stored.approvals, built.facts.approvals),
        visits,
        operations: operations.clone(),
        links,
        ..stored.clone()
    };
    drop_impossible_wishes(&mut facts);
    keep_possible_rework(&mut facts);
    Built { facts, origins, ..built }
}

/// Returns the order with its parts named as lines name them now.
fn named_as_now(stored: &OrderFacts, built: &OrderFacts) -> OrderFacts {
    let is_there = |parts: &[Need], id: &str| parts.iter().any(|part| part.id == id);
    let mut named = stored.clone();
    let rename = |id: &mut String| {
        let now = id.strip_prefix(MARK).filter(|now| is_there(&built.parts, now) && !is_there(&stored.parts, now));
        if let Some(now) = now.map(str::to_owned) {
            *id = now;
        }
    };
    for part in &mut named.parts {
        rename(&mut part.id);
    }
    for operation in &mut named.operations {
        operation.needs.iter_mut().filter(|need| is_there(&stored.parts, need)).for_each(rename);
    }
    named
}

/// Returns the id without the mark of a piece: `strip-s2` is a piece of `strip`.
pub fn whole(id: &str) -> &str {
    match id.rsplit_once("-s") {
        Some((whole, number)) if !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit()) => whole,
        _ => id,
    }
}

struct Merging<'a> {
    stored: &'a OrderFacts,
    before: Option<&'a OrderFacts>,
    operations: Vec<OrderOperation>,
    origins: Vec<Origin>,
    /// Ids of the pieces of each operation that lines make, the started ones first.
    pieces: BTreeMap<String, Vec<String>>,
    /// Ids of operations that were not there.
    new: Vec<String>,
}

fn is_open(operation: &OrderOperation) -> bool {
    operation.progress == Progress::Waiting
}

impl Merging<'_> {
    /// Adds the pieces of an operation that lines make. What it follows was added before it.
    fn operation(&mut self, book: &RuleBook, built: &OrderFacts, operation: &OrderOperation, origin: &Origin) {
        let stored: Vec<&OrderOperation> =
            self.stored.operations.iter().filter(|other| self.is_piece(other, &operation.id)).collect();
        let started: Vec<&OrderOperation> = stored.iter().copied().filter(|other| !is_open(other)).collect();
        let waiting = stored.iter().copied().find(|other| is_open(other));
        if started.is_empty() {
            let was = self.before.and_then(|before| before.operation(&operation.id));
            let merged = waiting.map_or_else(|| operation.clone(), |stored| three_ways(stored, was, operation));
            if waiting.is_none() {
                self.new.push(operation.id.clone());
            }
            self.push(&operation.id, merged, origin);
            return;
        }
        let booked: u32 = started.iter().map(|other| other.work_minutes).sum();
        let mut missing = operation.work_minutes.saturating_sub(booked);
        let template = book.operation(&origin.template);
        for other in &started {
            let mut other = (*other).clone();
            if let Progress::Running { remaining_minutes, .. } | Progress::Paused { remaining_minutes, .. } =
                &mut other.progress
                && missing > 0
                && !operation.crew.is_empty()
            {
                *remaining_minutes += missing;
                other.work_minutes += missing;
                other.high_work_minutes = other.high_work_minutes.map(|high| high.max(other.work_minutes));
                missing = 0;
            }
            self.push(&operation.id, other, origin);
        }
        let repeats = template.is_some_and(|template| template.again)
            && started.iter().all(|other| matches!(other.progress, Progress::Done { .. }))
            && built
                .links
                .iter()
                .filter(|link| link.to == operation.id)
                .any(|link| self.asks_again(&link.from, &started, waiting.is_some()));
        let minutes = if repeats {
            // Once more, as long as the first time, or as the lines have it now if that is longer.
            operation.work_minutes.max(missing)
        } else if operation.crew.is_empty() {
            // A wait that is over is not made longer afterwards.
            0
        } else {
            missing
        };
        if minutes == 0 {
            return;
        }
        let id = waiting.map_or_else(|| self.next_piece(&operation.id), |other| other.id.clone());
        if waiting.is_none() {
            self.new.push(id.clone());
        }
        let piece = OrderOperation { id, work_minutes: minutes, ..operation.clone() };
        let piece = match waiting {
            // Pins and the like stay; the hours are what is missing.
            Some(stored) => OrderOperation {
                pin: stored.pin.clone(),
                earliest_start_time: stored.earliest_start_time,
                visit: stored.visit.clone(),
                low_work_minutes: stored.low_work_minutes.map(|low| low.min(minutes)),
                high_work_minutes: stored.high_work_minutes.map(|high| high.max(minutes)),
                ..piece
            },
            None => piece,
        };
        self.push(&operation.id, piece, origin);
    }

    fn is_piece(&self, other: &OrderOperation, id: &str) -> bool {
        other.id == id || whole(&other.id) == id && self.stored.operations.iter().any(|first| first.id == id)
    }

    fn push(&mut self, of: &str, operation: OrderOperation, origin: &Origin) {
        self.pieces.entry(of.to_owned()).or_default().push(operation.id.clone());
        self.origins.push(Origin { operation: operation.id.clone(), ..origin.clone() });
        self.operations.push(operation);
    }

    /// Tells whether what is done has to be done again because of what it follows: that is not done, or was done after it
    /// and the repeat is waiting already.
    fn asks_again(&self, first: &str, done: &[&OrderOperation], is_waiting: bool) -> bool {
        let last = self.pieces.get(first).and_then(|pieces| pieces.last());
        let Some(last) = last.and_then(|last| self.operations.iter().find(|one| one.id == *last)) else { return false };
        let begun = done.iter().filter_map(|one| match one.progress {
            Progress::Done { start_time, .. } => Some(start_time),
            _ => None,
        });
        match (&last.progress, begun.max()) {
            (Progress::Waiting | Progress::Running { .. } | Progress::Paused { .. }, _) => true,
            (Progress::Done { end_time, .. }, Some(begun)) => is_waiting && *end_time > begun,
            (Progress::Done { .. }, None) => false,
        }
    }

    fn next_piece(&self, id: &str) -> String {
        let mut number = 1;
        let mut piece = format!("{id}-s{number}");
        while self.stored.operations.iter().any(|other| other.id == piece) {
            number += 1;
            piece = format!("{id}-s{number}");
        }
        piece
    }

    /// Keeps what has started though no line makes it any more, and what was added by hand.
    fn keep_the_rest(&mut self) {
        for operation in &self.stored.operations {
            if self.operations.iter().any(|other| other.id == operation.id) {
                continue;
            }
            let by_lines = self.before.is_some_and(|before| {
                before.operation(whole(&operation.id)).is_some() || before.operation(&operation.id).is_some()
            });
            if !is_open(operation) || !by_lines {
                self.operations.push(operation.clone());
            }
        }
    }

    /// Returns the visits of all operations; what is not started gets out of visits that are over.
    fn visits(&mut self, built: &[OrderVisit]) -> Vec<OrderVisit> {
        let mut visits: Vec<OrderVisit> = Vec::new();
        let started = |operations: &[OrderOperation], id: &str| {
            operations.iter().any(|one| one.visit.as_deref() == Some(id) && !is_open(one))
        };
        // A visit is over if it has begun and nothing of it was left to do, as stored.
        let is_over = |id: &str| {
            let mut of = self.stored.operations.iter().filter(|one| one.visit.as_deref() == Some(id)).peekable();
            of.peek().is_some() && of.all(|one| matches!(one.progress, Progress::Done { .. }))
        };
        let mut moved: BTreeMap<String, String> = BTreeMap::new();
        for operation in self.operations.iter_mut().filter(|operation| is_open(operation)) {
            let Some(visit) = operation.visit.clone() else { continue };
            if !is_over(&visit) {
                continue;
            }
            let later = moved.entry(visit.clone()).or_insert_with(|| {
                let mut number = 1;
                let known = |id: &str| self.stored.visits.iter().any(|visit| visit.id == id);
                while known(&format!("{visit}-s{number}")) && is_over(&format!("{visit}-s{number}")) {
                    number += 1;
                }
                format!("{visit}-s{number}")
            });
            operation.visit = Some(later.clone());
        }
        let template = |id: &str| {
            let stored = self.stored.visits.iter().find(|visit| visit.id == id);
            let now = built.iter().find(|visit| visit.id == id);
            match (stored, now) {
                // What the book says of it may have changed, but not where it stands.
                (Some(stored), Some(now)) if !started(&self.stored.operations, id) => {
                    let was = self.before.and_then(|before| before.visits.iter().find(|visit| visit.id == id));
                    let settled = was.is_some_and(|was| was.bay_class != stored.bay_class);
                    let class = if settled { &stored.bay_class } else { &now.bay_class };
                    Some(OrderVisit { bay: stored.bay.clone(), bay_class: class.clone(), ..now.clone() })
                }
                (Some(stored), _) => Some(stored.clone()),
                (None, now) => now.cloned(),
            }
        };
        for operation in &self.operations {
            let Some(id) = &operation.visit else { continue };
            if visits.iter().any(|visit| visit.id == *id) {
                continue;
            }
            let visit = template(id).or_else(|| {
                let of = template(whole(id))?;
                Some(OrderVisit { id: id.clone(), bay: None, ..of })
            });
            visits.extend(visit);
        }
        visits
    }

    /// Returns the links between all pieces.
    fn links(&self, built: &OrderFacts) -> Vec<OrderLink> {
        let find = |id: &str| self.operations.iter().find(|operation| operation.id == id);
        let is_started = |id: &str| find(id).is_some_and(|operation| !is_open(operation));
        let mut links: Vec<OrderLink> = Vec::new();
        let mut add = |link: OrderLink| {
            if link.from != link.to && !links.iter().any(|other| other.from == link.from && other.to == link.to) {
                links.push(link);
            }
        };
        // Between pieces: one after the other.
        for pieces in self.pieces.values() {
            for pair in pieces.windows(2) {
                if !is_started(&pair[1]) {
                    let (from, to) = (pair[0].clone(), pair[1].clone());
                    add(OrderLink { from, to, min_wait_minutes: 0, max_wait_minutes: None });
                }
            }
        }
        for link in &built.links {
            let (Some(froms), Some(tos)) = (self.pieces.get(&link.from), self.pieces.get(&link.to)) else { continue };
            let (Some(from), Some(to)) = (froms.last(), tos.last()) else { continue };
            if is_started(to) {
                // What has come late goes before what is left of what came after.
                if !is_started(from) {
                    for next in self.open_after(built, &link.to) {
                        add(OrderLink { from: from.clone(), to: next, min_wait_minutes: 0, max_wait_minutes: None });
                    }
                }
                continue;
            }
            // A window that opened with what is long done has closed for what came later, and stays closed.
            let stored = self.stored.links.iter().find(|other| other.from == *from && other.to == *to);
            let closed = stored.is_none_or(|stored| stored.max_wait_minutes.is_none());
            let late = is_started(from) && (self.new.contains(to) || closed);
            let max_wait_minutes = link.max_wait_minutes.filter(|_| !late);
            add(OrderLink { from: from.clone(), to: to.clone(), max_wait_minutes, ..link.clone() });
        }
        // What has happened, and what was linked by hand.
        for link in &self.stored.links {
            if find(&link.from).is_none() || find(&link.to).is_none() {
                continue;
            }
            let both_started = is_started(&link.from) && is_started(&link.to);
            let (from, to) = (whole(&link.from), whole(&link.to));
            let was = |links: &[OrderLink]| links.iter().any(|other| other.from == from && other.to == to);
            let by_lines = from == to || self.before.is_some_and(|before| was(&before.links)) || was(&built.links);
            if both_started || !by_lines {
                add(link.clone());
            }
        }
        without_circles(&self.operations, links)
    }
}

impl Merging<'_> {
    /// Returns the first pieces that have not started on every way on from an operation that has.
    fn open_after(&self, built: &OrderFacts, id: &str) -> Vec<String> {
        let (mut open, mut seen, mut stack) = (Vec::new(), vec![id], vec![id]);
        while let Some(at) = stack.pop() {
            for link in built.links.iter().filter(|link| link.from == at) {
                if seen.contains(&link.to.as_str()) {
                    continue;
                }
                seen.push(&link.to);
                let last = self.pieces.get(&link.to).and_then(|pieces| pieces.last());
                match last.and_then(|last| self.operations.iter().find(|one| one.id == *last)) {
                    Some(piece) if is_open(piece) => open.push(piece.id.clone()),
                    _ => stack.push(&link.to),
                }
            }
        }
        open
    }
}

/// Leaves out links that would close a circle; those of the lines come first and stay.
fn without_circles(operations: &[OrderOperation], links: Vec<OrderLink>) -> Vec<OrderLink> {
    let index = |id: &str| operations.iter().position(|operation| operation.id == id);
    let mut pairs: Vec<(usize, usize)> = Vec::new();
    let mut kept = Vec::new();
    for link in links {
        let (Some(from), Some(to)) = (index(&link.from), index(&link.to)) else { continue };
        if !crate::graph::reached(operations.len(), &pairs, to)[from] {
            pairs.push((from, to));
            kept.push(link);
        }
    }
    kept
}

/// Keeps what a person changed since `was`, and takes the rest from `now`.
fn three_ways(stored: &OrderOperation, was: Option<&OrderOperation>, now: &OrderOperation) -> OrderOperation {
    let Some(was) = was else { return stored.clone() };
    macro_rules! field {
        ($name:ident) => {
            if stored.$name == was.$name { now.$name.clone() } else { stored.$name.clone() }
        };
    }
    let work_minutes = field!(work_minutes);
    OrderOperation {
        id: now.id.clone(),
        display_name: field!(display_name),
        work_minutes,
        // Lines say neither; what a person said of other hours gives way to those of now.
        low_work_minutes: stored.low_work_minutes.map(|low| low.min(work_minutes)),
        high_work_minutes: stored.high_work_minutes.map(|high| high.max(work_minutes)),
        crew: field!(crew),
        visit: field!(visit),
        equipment: field!(equipment),
        interruptible: field!(interruptible),
        needs: field!(needs),
        earliest_start_time: stored.earliest_start_time,
        same_person: field!(same_person),
        pin: stored.pin.clone(),
        hazards: field!(hazards),
        hold_point: field!(hold_point),
        progress: Progress::Waiting,
    }
}

#[cfg(test)]
mod tests {
    use super::whole;

    #[test]
    fn pieces_know_what_they_are_of() {
        assert_eq!(
            [whole("strip-s1"), whole("strip"), whole("a-s"), whole("a-s1-s12"), whole("a-sx")],
            ["strip", "strip", "a-s", "a-s1", "a-sx"]
        );
    }
}
