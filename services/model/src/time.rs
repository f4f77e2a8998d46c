//! Time inside a [`Problem`](crate::Problem): whole minutes, half-open intervals.

use std::ops::{Add, AddAssign, Neg, Sub};

/// An instant, in whole minutes since the origin of a problem; negative for what happened before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Time(i64);

/// A signed length of time in whole minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Span(i64);

impl Time {
    /// The origin of the problem.
    pub const ORIGIN: Time = Time(0);

    /// Returns the instant `minutes` after the origin.
    pub const fn from_minutes(minutes: i64) -> Time {
        Time(minutes)
    }

    /// Returns the minutes since the origin.
    pub const fn minutes(self) -> i64 {
        self.0
    }

    /// Returns the first multiple of `grid` that is not before this instant.
    pub const fn ceil_to(self, grid: Span) -> Time {
        Time(-(-self.0).div_euclid(grid.0) * grid.0)
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// Returns a span of `minutes`.
    pub const fn from_minutes(minutes: i64) -> Span {
        Span(minutes)
    }

    /// Returns the length in minutes.
    pub const fn minutes(self) -> i64 {
        self.0
    }

    /// Returns the first multiple of `grid` that is not shorter.
    pub const fn ceil_to(self, grid: Span) -> Span {
        Span(-(-self.0).div_euclid(grid.0) * grid.0)
    }
}

impl Add<Span> for Time {
    type Output = Time;
    fn add(self, span: Span) -> Time {
        Time(self.0 + span.0)
    }
}

impl AddAssign<Span> for Time {
    fn add_assign(&mut self, span: Span) {
        self.0 += span.0;
    }
}

impl Sub<Span> for Time {
    type Output = Time;
    fn sub(self, span: Span) -> Time {
        Time(self.0 - span.0)
    }
}

impl Sub for Time {
    type Output = Span;
    fn sub(self, other: Time) -> Span {
        Span(self.0 - other.0)
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0 + other.0)
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0 - other.0)
    }
}

impl Neg for Span {
    type Output = Span;
    fn neg(self) -> Span {
        Span(-self.0)
    }
}

/// A half-open interval `[start, end)` that is never negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Window {
    start: Time,
    end: Time,
}

impl Window {
    /// Returns `[start, end)`, or `None` if it would end before it starts.
    pub fn new(start: Time, end: Time) -> Option<Window> {
        (start <= end).then_some(Window { start, end })
    }

    /// Returns the first instant inside.
    pub const fn start(self) -> Time {
        self.start
    }

    /// Returns the first instant that is no longer inside.
    pub const fn end(self) -> Time {
        self.end
    }

    /// Returns the length.
    pub fn span(self) -> Span {
        self.end - self.start
    }

    /// Tells whether the two share an instant; an empty window shares none.
    pub fn overlaps(self, other: Window) -> bool {
        self.start.max(other.start) < self.end.min(other.end)
    }

    /// Tells whether all of `other` lies inside.
    pub fn encloses(self, other: Window) -> bool {
        self.start <= other.start && other.end <= self.end
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ceil_to_rounds_up_on_both_sides_of_the_origin() {
        let check = |minutes, expected| {
            let grid = Span::from_minutes(5);
            assert_eq!(Time::from_minutes(minutes).ceil_to(grid).minutes(), expected);
        };
        check(0, 0);
        check(1, 5);
        check(5, 5);
        check(-1, 0);
        check(-6, -5);
    }

    #[test]
    fn windows_that_touch_do_not_overlap() {
        let window = |a, b| Window::new(Time::from_minutes(a), Time::from_minutes(b)).unwrap();
        assert!(!window(0, 5).overlaps(window(5, 9)));
        assert!(window(0, 6).overlaps(window(5, 9)));
        assert!(!window(3, 3).overlaps(window(0, 9)));
        assert!(Window::new(Time::from_minutes(1), Time::ORIGIN).is_none());
    }
}
