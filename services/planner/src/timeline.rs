//! What is taken of a resource over time.

use crate::compile::Step;

/// Owner of what no operation or visit of the plan takes: facts, outages.
pub const FACT: u32 = u32::MAX;

/// A taken interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taken {
    /// First step.
    pub start: Step,
    /// The step after the last.
    pub end: Step,
    /// By whom: an operation, a visit or [`FACT`].
    pub owner: u32,
}

/// Occupation of something that one at a time can have: a person, a bay. Sorted and disjoint.
#[derive(Debug, Clone, Default)]
pub struct Timeline(Vec<Taken>);

impl Timeline {
    /// Returns the intervals in order.
    #[inline]
    pub fn taken(&self) -> &[Taken] {
        &self.0
    }

    /// Returns the position of the first interval that ends after `step`.
    #[inline]
    pub fn after(&self, step: Step) -> usize {
        self.0.partition_point(|taken| taken.end <= step)
    }

    /// Takes `[start, end)`, which is free.
    #[inline]
    pub fn take(&mut self, start: Step, end: Step, owner: u32) {
        let position =
            self.0.partition_point(|taken| taken.start < start || (taken.start == start && taken.end <= end));
        self.0.insert(position, Taken { start, end, owner });
    }

    /// Gives back what `owner` took from `start` on.
    #[inline]
    pub fn give_back(&mut self, start: Step, owner: u32) {
        let mut position = self.0.partition_point(|taken| taken.start < start);
        while self.0[position].owner != owner {
            position += 1;
        }
        self.0.remove(position);
    }

    /// Returns the end of the last interval that overlaps `[start, end)`, or `start` if it is free.
    #[inline]
    pub fn free_from(&self, start: Step, end: Step) -> Step {
        let position = self.0.partition_point(|taken| taken.start < end);
        if position > 0 { self.0[position - 1].end.max(start) } else { start }
    }
}

/// Occupation of a pool: pieces in use in each step.
#[derive(Debug, Clone)]
pub struct Stock {
    capacity: u16,
    used: Vec<u16>,
}

impl Stock {
    /// Returns a pool of `capacity` pieces over `horizon` steps.
    pub fn new(capacity: u16, horizon: Step) -> Stock {
        Stock { capacity, used: vec![0; horizon as usize] }
    }

    /// Takes `pieces` over `[start, end)`.
    #[inline]
    pub fn take(&mut self, start: Step, end: Step, pieces: u16) {
        for used in &mut self.used[start as usize..end as usize] {
            *used = used.saturating_add(pieces);
        }
    }

    /// Gives back `pieces` over `[start, end)`.
    #[inline]
    pub fn give_back(&mut self, start: Step, end: Step, pieces: u16) {
        for used in &mut self.used[start as usize..end as usize] {
            *used -= pieces;
        }
    }

    /// Returns the step after the last one in `[start, end)` in which fewer than `pieces` are left, or `start`.
    #[inline]
    pub fn free_from(&self, start: Step, end: Step, pieces: u16) -> Step {
        let Some(most) = self.capacity.checked_sub(pieces) else { return end };
        let within = &self.used[start as usize..end as usize];
        within.iter().rposition(|&used| used > most).map_or(start, |position| start + position as Step + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_timeline_is_free_between_its_intervals() {
        let mut line = Timeline::default();
        line.take(10, 20, 1);
        line.take(2, 5, 2);
        assert_eq!(line.free_from(5, 10), 5);
        assert_eq!(line.free_from(4, 6), 5);
        assert_eq!(line.free_from(0, 11), 20);
        line.give_back(10, 1);
        assert_eq!(line.free_from(4, 30), 5);
    }

    #[test]
    fn a_stock_counts_pieces() {
        let mut stock = Stock::new(3, 20);
        stock.take(2, 8, 2);
        stock.take(5, 10, 1);
        assert_eq!(stock.free_from(0, 5, 1), 0);
        assert_eq!(stock.free_from(0, 20, 1), 8);
        assert_eq!(stock.free_from(0, 20, 2), 8);
        assert_eq!(stock.free_from(0, 20, 3), 10);
        stock.give_back(2, 8, 2);
        assert_eq!(stock.free_from(0, 20, 2), 0);
        assert_eq!(stock.free_from(0, 20, 4), 20);
    }
}
