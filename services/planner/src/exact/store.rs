//! Bounds of integer variables, the trail of their changes, and why they changed.
//!
//! Both bounds of a variable `x` are numbers that only grow: side `2x` is its lower bound, side `2x + 1` the negative of
//! its upper bound. So every fact is of one kind, [`Fact`], and so is its negation.

/// A side of a variable is at least a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Fact {
    pub side: u32,
    pub value: i32,
}

impl Fact {
    /// `x >= value`.
    pub fn at_least(variable: u32, value: i32) -> Fact {
        Fact { side: 2 * variable, value }
    }

    /// `x <= value`.
    pub fn at_most(variable: u32, value: i32) -> Fact {
        Fact { side: 2 * variable + 1, value: -value }
    }

    /// Returns what holds if this does not.
    pub fn negated(self) -> Fact {
        Fact { side: self.side ^ 1, value: 1 - self.value }
    }

    /// Returns the variable.
    pub fn variable(self) -> u32 {
        self.side >> 1
    }
}

/// Why a side has grown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reason {
    Decision,
    /// All facts but the first of a clause of this number hold; it forbids that all do.
    Clause(u32),
    /// These facts, in [`Store::why`].
    Facts(u32, u32),
}

/// One change.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub side: u32,
    pub value: i32,
    pub old: i32,
    /// Change of this side before, or [`NONE`].
    pub before: u32,
    pub reason: Reason,
}

pub(super) const NONE: u32 = u32::MAX;

/// The sides contradict each other, because of these facts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conflict(pub Vec<Fact>);

/// Bounds with their history.
#[derive(Debug, Clone, Default)]
pub struct Store {
    sides: Vec<i32>,
    last: Vec<u32>,
    pub(super) trail: Vec<Entry>,
    /// Length of the trail at the beginning of each level above 0.
    pub(super) levels: Vec<u32>,
    why: Vec<Fact>,
}

impl Store {
    /// Adds a variable between two values.
    pub fn add(&mut self, low: i32, high: i32) -> u32 {
        self.sides.extend([low, -high]);
        self.last.extend([NONE, NONE]);
        (self.sides.len() / 2 - 1) as u32
    }

    /// Returns the number of variables.
    pub fn variables(&self) -> usize {
        self.sides.len() / 2
    }

    /// Returns the lower bound.
    #[inline]
    pub fn low(&self, variable: u32) -> i32 {
        self.sides[2 * variable as usize]
    }

    /// Returns the upper bound.
    #[inline]
    pub fn high(&self, variable: u32) -> i32 {
        -self.sides[2 * variable as usize + 1]
    }

    /// Tells whether `fact` holds.
    #[inline]
    pub fn holds(&self, fact: Fact) -> bool {
        self.sides[fact.side as usize] >= fact.value
    }

    /// Returns the level: the number of decisions.
    pub fn level(&self) -> u32 {
        self.levels.len() as u32
    }

    /// Begins a level.
    pub fn decide(&mut self, fact: Fact) {
        self.levels.push(self.trail.len() as u32);
        self.push(fact, Reason::Decision);
    }

    /// Makes `fact` hold because all of `why` do.
    pub fn set(&mut self, fact: Fact, why: &[Fact]) -> Result<(), Conflict> {
        if self.holds(fact) {
            return Ok(());
        }
        if self.holds(fact.negated()) {
            return Err(Conflict(why.iter().copied().chain([fact.negated()]).collect()));
        }
        let from = self.why.len() as u32;
        self.why.extend_from_slice(why);
        self.push(fact, Reason::Facts(from, self.why.len() as u32));
        Ok(())
    }

    pub(super) fn push(&mut self, fact: Fact, reason: Reason) {
        let side = fact.side as usize;
        let entry =
            Entry { side: fact.side, value: fact.value, old: self.sides[side], before: self.last[side], reason };
        self.last[side] = self.trail.len() as u32;
        self.sides[side] = fact.value;
        self.trail.push(entry);
    }

    /// Returns the facts of a reason that lie in the store.
    pub(super) fn facts(&self, from: u32, until: u32) -> &[Fact] {
        &self.why[from as usize..until as usize]
    }

    /// Returns the change that made `fact` hold; [`NONE`] if it always did.
    pub(super) fn position(&self, fact: Fact) -> u32 {
        let mut position = self.last[fact.side as usize];
        while position != NONE && self.trail[position as usize].old >= fact.value {
            position = self.trail[position as usize].before;
        }
        position
    }

    /// Returns the level in which a change was made.
    pub(super) fn level_of(&self, position: u32) -> u32 {
        self.levels.partition_point(|&start| start <= position) as u32
    }

    /// Takes back all changes above `level`; `undone` sees each.
    pub(super) fn go_back(&mut self, level: u32, mut undone: impl FnMut(&Entry)) {
        if level >= self.level() {
            return;
        }
        let start = self.levels[level as usize] as usize;
        let mut why = self.why.len() as u32;
        for entry in self.trail.drain(start..).rev() {
            self.sides[entry.side as usize] = entry.old;
            self.last[entry.side as usize] = entry.before;
            if let Reason::Facts(from, _) = entry.reason {
                why = why.min(from);
            }
            undone(&entry);
        }
        self.why.truncate(why as usize);
        self.levels.truncate(level as usize);
    }
}
