//! Bays: no more visits than there are, or which visit is in which, where they are not alike because of what stands there.

use super::cumulative::{Cumulative, Moment, Task};
use super::model::{Model, stretches};
use super::store::Fact;
use crate::bound::remaining::Remaining;
use crate::compile::{Compiled, Step};

/// How much is told about bays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bays {
    /// No more visits than bays at a time: enough where bays are alike.
    Counted,
    /// Which visit is in which bay, beside what stands there.
    Chosen,
}

impl Model {
    /// Visits in a set of one bay follow each other; in a larger set there are never more than bays.
    pub(super) fn add_bays(&mut self, compiled: &Compiled, remaining: Option<&Remaining>) -> Option<()> {
        let Some(remaining) = remaining else {
            // Without a set of bays the rule is missing, which only leaves more.
            return Some(());
        };
        let between = least_changeovers(compiled);
        for set in &remaining.bay_sets {
            let capacity = i32::from(set.free.iter().copied().max().unwrap_or(0));
            for (position, &one) in set.stays.iter().enumerate() {
                for &two in set.stays[position + 1..].iter().filter(|_| capacity == 1) {
                    let (one, two) = (remaining.stays[one].visit, remaining.stays[two].visit);
                    self.visits_apart(compiled, &between, (one, two), &[])?;
                }
            }
            let tasks: Vec<Task> = set
                .stays
                .iter()
                .map(|&stay| {
                    let stay = remaining.stays[stay];
                    Task { start: self.placed(stay.first).start, end: self.placed(stay.last).end, units: 1 }
                })
                .collect();
            let busy = stretches(set.free.iter().map(|&free| capacity - i32::from(free)));
            if !tasks.is_empty() {
                self.engine.cumulatives.push(Cumulative { tasks, capacity, busy });
            }
        }
        Some(())
    }

    /// Under `conditions` all of one visit comes before all of the other, with at least the least changeover in between.
    fn visits_apart(
        &mut self,
        compiled: &Compiled,
        between: &[Vec<Step>],
        (one, two): (u32, u32),
        conditions: &[Fact],
    ) -> Option<()> {
        let (first, second) = (&compiled.visits[one as usize], &compiled.visits[two as usize]);
        let holds_no_time = |visit: &crate::compile::Visit| visit.span == 0;
        if holds_no_time(first) || holds_no_time(second) {
            return Some(());
        }
        // Keys of visits lie behind those of operations.
        let key = |visit: u32| compiled.operations.len() as u32 + visit;
        let before = match self.orders.get(&(key(one), key(two))) {
            Some(&before) => before,
            None => {
                let low = |visit: &crate::compile::Visit| {
                    let starts = visit.operations.iter().map(|&index| self.placed(index).start);
                    starts.map(|start| self.engine.store.low(start.variable)).min()
                };
                let before = (low(first), low(second));
                let before = self.engine.binary(before.0 <= before.1);
                self.orders.insert((key(one), key(two)), before);
                before
            }
        };
        for (fact, from, to) in [(Fact::at_least(before, 1), first, second), (Fact::at_most(before, 0), second, first)]
        {
            for &last in &from.operations {
                for &next in &to.operations {
                    let (end, start) = (self.placed(last).end, self.placed(next).start);
                    let conditions = [&[fact], conditions].concat();
                    self.order(&conditions, end, start, between[from.family as usize][to.family as usize]);
                }
            }
        }
        Some(())
    }

    /// Each visit is in one of its bays, before or after all others there.
    pub(super) fn add_choices(&mut self, compiled: &Compiled) -> Option<()> {
        let between = least_changeovers(compiled);
        let takes_time = |visit: usize| compiled.visits[visit].span > 0;
        let visits: Vec<usize> = (0..compiled.visits.len()).filter(|&visit| takes_time(visit)).collect();
        for &visit in visits.iter().filter(|&&visit| !compiled.visits[visit].operations.is_empty()) {
            let choices = compiled.choices_of(visit);
            let binaries: Vec<u32> = match choices {
                [_] => vec![self.engine.integer(1, 1)],
                _ => choices.iter().map(|_| self.engine.binary(true)).collect(),
            };
            if binaries.len() > 1 {
                self.engine.forbid(binaries.iter().map(|&binary| Fact::at_most(binary, 0)).collect());
            }
            self.chosen.extend(choices.iter().zip(binaries).map(|(&(bay, _), binary)| (visit as u32, bay, binary)));
        }
        let origin = Moment { variable: self.engine.integer(0, 0), offset: 0 };
        for (position, &(one, bay, there)) in self.chosen.clone().iter().enumerate() {
            let there = Fact::at_least(there, 1);
            for &(two, other, too) in &self.chosen.clone()[position + 1..] {
                if other == bay && two != one {
                    self.visits_apart(compiled, &between, (one, two), &[there, Fact::at_least(too, 1)])?;
                }
            }
            for (held, data) in compiled.visits.iter().enumerate() {
                let stands =
                    data.operations.is_empty() && compiled.choices_of(held).first().is_some_and(|own| own.0 == bay);
                if let Some(fact) = data.fact.filter(|fact| stands && !fact.over) {
                    let family = compiled.visits[one as usize].family as usize;
                    let from = fact.start - between[family][data.family as usize];
                    let until = fact.end + between[data.family as usize][family];
                    self.beside(compiled, one as usize, there, (from, until), origin);
                }
            }
        }
        Some(())
    }

    /// If `there` holds, all of a visit comes before or after `[from, until)`.
    fn beside(&mut self, compiled: &Compiled, visit: usize, there: Fact, (from, until): (Step, Step), origin: Moment) {
        let operations: Vec<_> =
            compiled.visits[visit].operations.iter().filter_map(|&index| self.placed[index as usize].clone()).collect();
        let store = &self.engine.store;
        let low = operations.iter().map(|own| store.low(own.start.variable) + own.start.offset).min().unwrap_or(0);
        let high = operations.iter().map(|own| store.high(own.end.variable) + own.end.offset).max().unwrap_or(0);
        if high <= from || until <= low {
            return;
        }
        let before = self.engine.binary(true);
        for own in operations {
            self.order(&[there, Fact::at_least(before, 1)], own.end, origin, -from);
            self.order(&[there, Fact::at_most(before, 0)], origin, own.start, until);
        }
    }

    /// Returns the bay of each visit, once all is fixed; none where bays are only counted.
    pub fn bays(&self) -> Vec<(u32, u16)> {
        let mut bays: Vec<(u32, u16)> = Vec::new();
        for &(visit, bay, there) in &self.chosen {
            if self.engine.store.low(there) == 1 && bays.last().is_none_or(|(last, _)| *last != visit) {
                bays.push((visit, bay));
            }
        }
        bays
    }
}

/// Returns the least time between visits of two families in one bay, however many others are in between: a changeover is
/// asked for only between visits that follow each other.
fn least_changeovers(compiled: &Compiled) -> Vec<Vec<Step>> {
    let count = compiled.problem.families.len() + 1;
    let row = |from| (0..count).map(|to| compiled.changeover(from as u32, to as u32)).collect();
    let mut least: Vec<Vec<Step>> = (0..count).map(row).collect();
    for middle in 0..count {
        for from in 0..count {
            for to in 0..count {
                least[from][to] = least[from][to].min(least[from][middle] + least[middle][to]);
            }
        }
    }
    least
}
