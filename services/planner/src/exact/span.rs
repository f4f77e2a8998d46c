//! An operation whose end depends on its start by a calendar, in one of several modes.

use super::store::{Conflict, Fact, Store};

/// A mode: 1 if it is chosen, and its starts and ends, both ascending.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mode {
    pub chosen: u32,
    pub ways: Vec<(i32, i32)>,
}

/// An operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    pub start: u32,
    pub end: u32,
    pub modes: Vec<Mode>,
}

impl Span {
    /// Calls `wake` with every side whose growth matters.
    pub fn wakes(&self, mut wake: impl FnMut(u32)) {
        for variable in [self.start, self.end].into_iter().chain(self.modes.iter().map(|mode| mode.chosen)) {
            wake(2 * variable);
            wake(2 * variable + 1);
        }
    }

    /// Draws what follows: bounds from the modes that are open, and modes from bounds.
    pub fn propagate(&self, store: &mut Store) -> Result<(), Conflict> {
        self.one_mode(store)?;
        let lows = [Fact::at_least(self.start, store.low(self.start)), Fact::at_least(self.end, store.low(self.end))];
        let highs = [Fact::at_most(self.start, store.high(self.start)), Fact::at_most(self.end, store.high(self.end))];
        let (mut start, mut end) = ((i32::MAX, i32::MIN), (i32::MAX, i32::MIN));
        let mut excluded: Vec<Fact> = Vec::new();
        for mode in &self.modes {
            let not_chosen = Fact::at_most(mode.chosen, 0);
            if store.holds(not_chosen) {
                excluded.push(not_chosen);
                continue;
            }
            let (from, until) = (mode.first(lows), mode.behind_last(highs));
            if from.0 < until.0 {
                let (first, last) = (mode.ways[from.0], mode.ways[until.0 - 1]);
                start = (start.0.min(first.0), start.1.max(last.0));
                end = (end.0.min(first.1), end.1.max(last.1));
            } else {
                store.set(not_chosen, &[from.1, until.1])?;
                excluded.push(not_chosen);
            }
        }
        if start.0 > start.1 {
            return Err(Conflict(excluded));
        }
        let rises = start.0 > store.low(self.start) || end.0 > store.low(self.end);
        let falls = start.1 < store.high(self.start) || end.1 < store.high(self.end);
        if rises {
            let why: Vec<Fact> = excluded.iter().copied().chain(lows).collect();
            store.set(Fact::at_least(self.start, start.0), &why)?;
            store.set(Fact::at_least(self.end, end.0), &why)?;
        }
        if falls {
            let why: Vec<Fact> = excluded.iter().copied().chain(highs).collect();
            store.set(Fact::at_most(self.start, start.1), &why)?;
            store.set(Fact::at_most(self.end, end.1), &why)?;
        }
        Ok(())
    }

    /// Exactly one mode is chosen.
    fn one_mode(&self, store: &mut Store) -> Result<(), Conflict> {
        let mut open = None;
        for mode in &self.modes {
            if store.holds(Fact::at_least(mode.chosen, 1)) {
                for other in self.modes.iter().filter(|other| other.chosen != mode.chosen) {
                    store.set(Fact::at_most(other.chosen, 0), &[Fact::at_least(mode.chosen, 1)])?;
                }
                return Ok(());
            }
            if !store.holds(Fact::at_most(mode.chosen, 0)) {
                if open.is_some() {
                    return Ok(());
                }
                open = Some(mode.chosen);
            }
        }
        let others = self.modes.iter().filter(|mode| Some(mode.chosen) != open);
        let why: Vec<Fact> = others.map(|mode| Fact::at_most(mode.chosen, 0)).collect();
        match open {
            Some(last) => store.set(Fact::at_least(last, 1), &why),
            None => Err(Conflict(why)),
        }
    }
}

impl Mode {
    /// Returns the position of the first way at or above both bounds, and the bound that decides it.
    fn first(&self, [start, end]: [Fact; 2]) -> (usize, Fact) {
        let by_start = self.ways.partition_point(|way| way.0 < start.value);
        let by_end = self.ways.partition_point(|way| way.1 < end.value);
        if by_start >= by_end { (by_start, start) } else { (by_end, end) }
    }

    /// Returns the position behind the last way at or below both bounds, and the bound that decides it.
    fn behind_last(&self, [start, end]: [Fact; 2]) -> (usize, Fact) {
        let by_start = self.ways.partition_point(|way| way.0 <= -start.value);
        let by_end = self.ways.partition_point(|way| way.1 <= -end.value);
        if by_start <= by_end { (by_start, start) } else { (by_end, end) }
    }
}
