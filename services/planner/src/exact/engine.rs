//! Search with learning: decides, propagates, and from each conflict learns a clause that forbids its cause.
//!
//! Lazy clause generation (Ohrimenko, Stuckey and Codish (2009), doi:10.1007/s10601-008-9064-x), with clauses over
//! bounds of integers; what works for schedules is taken from Schutt, Feydt, Stuckey and Wallace (2011),
//! doi:10.1007/s10601-010-9103-2. No clock and no random numbers: same calls, same answers.

mod learn;

use super::cumulative::Cumulative;
use super::order::Order;
use super::queue::Queue;
use super::span::Span;
use super::store::{Conflict, Fact, Reason, Store};
use super::total::Total;
use super::unary::Unary;
use crate::stop::Stop;

/// A clause: its facts must not all hold.
#[derive(Debug, Clone)]
struct Clause {
    facts: Vec<Fact>,
    activity: f32,
    levels: u32,
    gone: bool,
}

/// A clause that waits for a fact.
#[derive(Debug, Clone, Copy)]
struct Watch {
    value: i32,
    clause: u32,
}

/// What a slice of search has led to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// All variables are fixed and nothing is broken.
    Found,
    /// There is no solution.
    Impossible,
    /// Not decided yet.
    Open,
}

/// The engine with the rules of one problem.
#[derive(Debug, Default)]
pub struct Engine {
    /// Bounds.
    pub store: Store,
    /// Conditional precedences.
    pub orders: Vec<Order>,
    /// Operations with their ways.
    pub spans: Vec<Span>,
    /// Limited resources.
    pub cumulatives: Vec<Cumulative>,
    /// Resources for one at a time.
    pub unaries: Vec<Unary>,
    /// The price.
    pub total: Option<Total>,
    /// Conflicts so far.
    pub conflicts: u64,
    clauses: Vec<Clause>,
    watches: Vec<Vec<Watch>>,
    orders_of: Vec<Vec<u32>>,
    spans_of: Vec<Vec<u32>>,
    cumulatives_of: Vec<Vec<u32>>,
    unaries_of: Vec<Vec<u32>>,
    total_of: Vec<bool>,
    next: usize,
    waiting_spans: Vec<u32>,
    waiting_cumulatives: Vec<u32>,
    waiting_unaries: Vec<u32>,
    waiting_total: bool,
    span_waits: Vec<bool>,
    cumulative_waits: Vec<bool>,
    unary_waits: Vec<bool>,
    activity: Vec<f64>,
    increment: f64,
    /// Binaries that may be open.
    queue: Queue,
    /// Values that binaries are tried with first, and the last values of integers.
    pub phase: Vec<bool>,
    /// Variables that are decided by growing lower bounds, once nothing else is open.
    pub binaries: Vec<bool>,
    marks: Vec<i32>,
    restart_in: u64,
    restarts: u64,
    clause_limit: usize,
    impossible: bool,
}

const UNMARKED: i32 = i32::MIN;

impl Engine {
    /// Adds an integer.
    pub fn integer(&mut self, low: i32, high: i32) -> u32 {
        self.phase.push(false);
        self.binaries.push(false);
        self.store.add(low, high)
    }

    /// Adds a binary, tried with `first` first.
    pub fn binary(&mut self, first: bool) -> u32 {
        self.phase.push(first);
        self.binaries.push(true);
        self.store.add(0, 1)
    }

    /// Adds a rule: not all of `facts`, two or more, hold.
    pub fn forbid(&mut self, facts: Vec<Fact>) {
        self.clauses.push(Clause { facts, activity: 0.0, levels: 0, gone: false });
    }

    /// Makes it impossible.
    pub fn refute(&mut self) {
        self.impossible = true;
    }

    /// Makes everything ready once all rules are there.
    pub fn prepare(&mut self) {
        let (count, sides) = (self.store.variables(), 2 * self.store.variables());
        self.watches = vec![Vec::new(); sides];
        (self.orders_of, self.spans_of, self.cumulatives_of) =
            (vec![Vec::new(); sides], vec![Vec::new(); sides], vec![Vec::new(); sides]);
        self.unaries_of = vec![Vec::new(); sides];
        self.total_of = vec![false; sides];
        for (number, clause) in self.clauses.iter().enumerate() {
            for &fact in &clause.facts[..2] {
                self.watches[fact.side as usize].push(Watch { value: fact.value, clause: number as u32 });
            }
        }
        for (number, order) in self.orders.iter().enumerate() {
            order.wakes(|side| self.orders_of[side as usize].push(number as u32));
        }
        for (number, span) in self.spans.iter().enumerate() {
            span.wakes(|side| self.spans_of[side as usize].push(number as u32));
        }
        for (number, cumulative) in self.cumulatives.iter().enumerate() {
            cumulative.wakes(|side| self.cumulatives_of[side as usize].push(number as u32));
        }
        for (number, unary) in self.unaries.iter().enumerate() {
            unary.wakes(|side| self.unaries_of[side as usize].push(number as u32));
        }
        if let Some(total) = &self.total {
            total.wakes(|side| self.total_of[side as usize] = true);
        }
        self.span_waits = vec![false; self.spans.len()];
        self.cumulative_waits = vec![false; self.cumulatives.len()];
        self.unary_waits = vec![false; self.unaries.len()];
        self.activity = vec![0.0; count];
        self.queue = Queue::new(count);
        for variable in (0..count as u32).filter(|&variable| self.binaries[variable as usize]) {
            self.queue.push(variable, &self.activity);
        }
        self.increment = 1.0;
        self.clause_limit = 4000;
        self.restart_in = 100;
    }

    /// Searches for at most `conflicts` conflicts.
    pub fn run(&mut self, conflicts: u64, stop: &dyn Stop) -> Verdict {
        let end = self.conflicts + conflicts;
        if self.store.level() == 0 {
            self.wake_all();
        }
        loop {
            if self.impossible {
                return Verdict::Impossible;
            }
            match self.propagate() {
                Err(conflict) => {
                    self.conflicts += 1;
                    if self.store.level() == 0 || !self.learn(&conflict) {
                        self.impossible = true;
                        return Verdict::Impossible;
                    }
                    self.restart_in = self.restart_in.saturating_sub(1);
                    if self.conflicts >= end || stop.should_stop() {
                        return Verdict::Open;
                    }
                }
                Ok(()) => {
                    if stop.should_stop() {
                        return Verdict::Open;
                    }
                    if self.restart_in == 0 {
                        self.restart();
                        continue;
                    }
                    let Some(fact) = self.choose() else { return Verdict::Found };
                    self.store.decide(fact);
                }
            }
        }
    }

    /// Forbids the decisions that led here. Returns false if there were none.
    pub fn refuse(&mut self) -> bool {
        let decisions = self.store.levels.iter().map(|&start| self.store.trail[start as usize]);
        let mut facts: Vec<Fact> = decisions.map(|entry| Fact { side: entry.side, value: entry.value }).collect();
        facts.reverse();
        self.back(0);
        match facts.as_slice() {
            [] => false,
            [only] => self.store.set(only.negated(), &[]).is_ok(),
            _ => {
                let number = self.clauses.len() as u32;
                for &fact in &facts[..2] {
                    self.watches[fact.side as usize].push(Watch { value: fact.value, clause: number });
                }
                self.clauses.push(Clause { facts, activity: 0.0, levels: 0, gone: false });
                true
            }
        }
    }

    /// Takes back all decisions, so that rules can be tightened.
    pub fn to_root(&mut self) {
        self.back(0);
    }

    fn back(&mut self, level: u32) {
        let (phase, queue) = (&mut self.phase, &mut self.queue);
        self.store.go_back(level, |entry| {
            let variable = entry.side >> 1;
            phase[variable as usize] = entry.side & 1 == 0;
            if self.binaries[variable as usize] {
                queue.push(variable, &self.activity);
            }
        });
        self.next = self.next.min(self.store.trail.len());
        for &span in &self.waiting_spans {
            self.span_waits[span as usize] = false;
        }
        for &cumulative in &self.waiting_cumulatives {
            self.cumulative_waits[cumulative as usize] = false;
        }
        for &unary in &self.waiting_unaries {
            self.unary_waits[unary as usize] = false;
        }
        self.waiting_spans.clear();
        self.waiting_unaries.clear();
        self.waiting_cumulatives.clear();
        self.waiting_total = false;
    }

    fn wake_all(&mut self) {
        self.waiting_spans = (0..self.spans.len() as u32).collect();
        self.waiting_cumulatives = (0..self.cumulatives.len() as u32).collect();
        self.waiting_unaries = (0..self.unaries.len() as u32).collect();
        self.unary_waits.fill(true);
        self.span_waits.fill(true);
        self.cumulative_waits.fill(true);
        self.waiting_total = self.total.is_some();
        self.next = 0;
        for order in 0..self.orders.len() {
            if self.orders[order].propagate(&mut self.store).is_err() {
                self.impossible = true;
                return;
            }
        }
    }

    fn restart(&mut self) {
        self.back(0);
        self.restarts += 1;
        self.restart_in = 64 * luby(self.restarts);
        if self.clauses.iter().filter(|clause| !clause.gone).count() > self.clause_limit {
            self.forget();
        }
        self.wake_all();
    }

    /// Drops the half of the clauses that has been of least use.
    fn forget(&mut self) {
        self.clause_limit += 500;
        let mut weak: Vec<(f32, usize)> = (0..self.clauses.len())
            .filter(|&number| !self.clauses[number].gone && self.clauses[number].levels > 3)
            .map(|number| (self.clauses[number].activity, number))
            .collect();
        weak.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        for &(_, number) in &weak[..weak.len() / 2] {
            self.clauses[number] = Clause { facts: Vec::new(), activity: 0.0, levels: 0, gone: true };
        }
        for watches in &mut self.watches {
            watches.retain(|watch| !self.clauses[watch.clause as usize].gone);
        }
    }

    fn propagate(&mut self) -> Result<(), Conflict> {
        loop {
            while self.next < self.store.trail.len() {
                let side = self.store.trail[self.next].side;
                self.next += 1;
                self.wake(side);
                self.check_clauses(side)?;
                for position in 0..self.orders_of[side as usize].len() {
                    let order = self.orders_of[side as usize][position] as usize;
                    self.orders[order].propagate(&mut self.store)?;
                }
            }
            if let Some(span) = self.waiting_spans.pop() {
                self.span_waits[span as usize] = false;
                self.spans[span as usize].propagate(&mut self.store)?;
            } else if std::mem::take(&mut self.waiting_total) {
                if let Some(total) = &self.total {
                    total.propagate(&mut self.store)?;
                }
            } else if let Some(unary) = self.waiting_unaries.pop() {
                self.unary_waits[unary as usize] = false;
                self.unaries[unary as usize].propagate(&mut self.store)?;
            } else if let Some(cumulative) = self.waiting_cumulatives.pop() {
                self.cumulative_waits[cumulative as usize] = false;
                self.cumulatives[cumulative as usize].propagate(&mut self.store)?;
            } else {
                return Ok(());
            }
        }
    }

    fn wake(&mut self, side: u32) {
        for &span in &self.spans_of[side as usize] {
            if !std::mem::replace(&mut self.span_waits[span as usize], true) {
                self.waiting_spans.push(span);
            }
        }
        for &cumulative in &self.cumulatives_of[side as usize] {
            if !std::mem::replace(&mut self.cumulative_waits[cumulative as usize], true) {
                self.waiting_cumulatives.push(cumulative);
            }
        }
        for &unary in &self.unaries_of[side as usize] {
            if !std::mem::replace(&mut self.unary_waits[unary as usize], true) {
                self.waiting_unaries.push(unary);
            }
        }
        self.waiting_total |= self.total_of[side as usize];
    }

    /// Looks at the clauses that wait for a fact about `side`.
    fn check_clauses(&mut self, side: u32) -> Result<(), Conflict> {
        let mut watches = std::mem::take(&mut self.watches[side as usize]);
        let mut conflict = None;
        let mut kept = 0;
        for position in 0..watches.len() {
            let watch = watches[position];
            let waits_on = Fact { side, value: watch.value };
            if conflict.is_some() || !self.store.holds(waits_on) {
                watches[kept] = watch;
                kept += 1;
                continue;
            }
            let clause = &mut self.clauses[watch.clause as usize];
            if clause.facts[0] == waits_on {
                clause.facts.swap(0, 1);
            }
            let other = clause.facts[0];
            let free = (2..clause.facts.len()).find(|&place| !self.store.holds(clause.facts[place]));
            let satisfied = self.store.holds(other.negated());
            if !satisfied && let Some(place) = free {
                clause.facts.swap(1, place);
                let fact = clause.facts[1];
                if fact.side == side {
                    watches[kept] = Watch { value: fact.value, clause: watch.clause };
                    kept += 1;
                } else {
                    self.watches[fact.side as usize].push(Watch { value: fact.value, clause: watch.clause });
                }
                continue;
            }
            watches[kept] = watch;
            kept += 1;
            if satisfied {
                continue;
            }
            if self.store.holds(other) {
                conflict = Some(Conflict(clause.facts.clone()));
            } else {
                self.store.push(other.negated(), Reason::Clause(watch.clause));
            }
        }
        watches.truncate(kept);
        watches.append(&mut self.watches[side as usize]);
        self.watches[side as usize] = watches;
        conflict.map_or(Ok(()), Err)
    }

    fn bump(&mut self, variable: u32) {
        self.activity[variable as usize] += self.increment;
        if self.activity[variable as usize] > 1e100 {
            self.activity.iter_mut().for_each(|activity| *activity *= 1e-100);
            self.increment *= 1e-100;
        }
        self.queue.raise(variable, &self.activity);
    }

    /// Returns the next decision: the most active binary that is open, and if there is none the most active integer; of
    /// equals the one with the least lower bound.
    fn choose(&mut self) -> Option<Fact> {
        while let Some(variable) = self.queue.pop(&self.activity) {
            if self.store.low(variable) < self.store.high(variable) {
                return Some(match self.phase[variable as usize] {
                    true => Fact::at_least(variable, 1),
                    false => Fact::at_most(variable, 0),
                });
            }
        }
        let store = &self.store;
        let mut best: Option<(f64, i32, u32)> = None;
        for variable in 0..store.variables() as u32 {
            let low = store.low(variable);
            let activity = self.activity[variable as usize];
            let better = |best: (f64, i32, u32)| activity > best.0 || activity == best.0 && low < best.1;
            if low < store.high(variable) && best.is_none_or(better) {
                best = Some((activity, low, variable));
            }
        }
        best.map(|(_, low, variable)| Fact::at_most(variable, low))
    }
}

/// Returns the number of the sequence of Luby, Sinclair and Zuckerman (1993), doi:10.1016/0020-0190(93)90029-9.
fn luby(number: u64) -> u64 {
    let mut length = 1;
    while length < number + 1 {
        length = 2 * length + 1;
    }
    let mut rest = number;
    while length - 1 != rest {
        length = (length - 1) / 2;
        rest %= length;
    }
    length.div_ceil(2)
}
