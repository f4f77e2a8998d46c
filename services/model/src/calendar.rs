//! When somebody or something is available, in minutes of a problem.

use crate::time::{Time, Window};

/// Open time: sorted windows that neither overlap nor touch nor are empty.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Calendar {
    windows: Vec<Window>,
}

impl Calendar {
    /// Returns the union of `windows`, in whatever order they come.
    pub fn new(mut windows: Vec<Window>) -> Calendar {
        windows.retain(|window| window.start() < window.end());
        windows.sort_unstable();
        let mut merged: Vec<Window> = Vec::with_capacity(windows.len());
        for window in windows {
            match merged.last_mut() {
                Some(last) if window.start() <= last.end() => {
                    *last =
                        Window::new(last.start(), last.end().max(window.end())).expect("ends no earlier than before");
                }
                _ => merged.push(window),
            }
        }
        Calendar { windows: merged }
    }

    /// Returns the calendar that is open over all of `[start, end)`.
    pub fn always(start: Time, end: Time) -> Calendar {
        Calendar::new(Window::new(start, end).into_iter().collect())
    }

    /// Returns the windows, sorted, disjoint and not touching.
    pub fn windows(&self) -> &[Window] {
        &self.windows
    }

    /// Returns the time that is open in both.
    pub fn intersection(&self, other: &Calendar) -> Calendar {
        let (mut left, mut right) = (self.windows.iter().peekable(), other.windows.iter().peekable());
        let mut windows = Vec::new();
        while let (Some(a), Some(b)) = (left.peek(), right.peek()) {
            windows.extend(Window::new(a.start().max(b.start()), a.end().min(b.end())));
            if a.end() < b.end() {
                left.next();
            } else {
                right.next();
            }
        }
        Calendar::new(windows)
    }

    /// Returns the time that is open here and not there.
    pub fn minus(&self, closed: &Calendar) -> Calendar {
        let mut windows = Vec::new();
        for window in &self.windows {
            let mut start = window.start();
            for gap in closed.windows.iter().filter(|gap| gap.overlaps(*window)) {
                windows.extend(Window::new(start, gap.start().max(start)));
                start = gap.end();
            }
            windows.extend(Window::new(start, window.end()));
        }
        Calendar::new(windows)
    }

    /// Returns the time that is open in either.
    pub fn union(&self, other: &Calendar) -> Calendar {
        Calendar::new(self.windows.iter().chain(&other.windows).copied().collect())
    }

    /// Returns the window that `time` lies in.
    pub fn window_at(&self, time: Time) -> Option<Window> {
        let after = self.windows.partition_point(|window| window.start() <= time);
        self.windows[..after].last().copied().filter(|window| time < window.end())
    }

    /// Tells whether all of `part` lies in one window.
    pub fn encloses(&self, part: Window) -> bool {
        self.window_at(part.start()).is_some_and(|window| window.encloses(part))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calendar(windows: &[(i64, i64)]) -> Calendar {
        Calendar::new(
            windows.iter().map(|&(a, b)| Window::new(Time::from_minutes(a), Time::from_minutes(b)).unwrap()).collect(),
        )
    }

    #[test]
    fn touching_windows_are_one() {
        assert_eq!(calendar(&[(5, 9), (0, 5), (7, 8), (12, 12)]), calendar(&[(0, 9)]));
    }

    #[test]
    fn set_operations() {
        let (a, b) = (calendar(&[(0, 10), (20, 30)]), calendar(&[(5, 22), (28, 29)]));
        assert_eq!(a.intersection(&b), calendar(&[(5, 10), (20, 22), (28, 29)]));
        assert_eq!(a.minus(&b), calendar(&[(0, 5), (22, 28), (29, 30)]));
        assert_eq!(a.union(&b), calendar(&[(0, 30)]));
    }

    #[test]
    fn encloses_asks_for_one_window() {
        let a = calendar(&[(0, 10), (20, 30)]);
        let part = |s, e| Window::new(Time::from_minutes(s), Time::from_minutes(e)).unwrap();
        assert!(a.encloses(part(0, 10)));
        assert!(!a.encloses(part(5, 25)));
        assert!(!a.encloses(part(10, 11)));
    }
}
