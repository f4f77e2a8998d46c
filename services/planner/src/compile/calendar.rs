//! Open time of a crew as dense arrays over grid steps.

use fitup_model::Calendar;

use super::{Clock, NEVER, Step};

/// What is known about one step of a calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Cell {
    /// The first step from here on in which an operation may start: open and on the grid; [`NEVER`] if there is none.
    next: Step,
    /// The end of the window that this step lies in; the step itself if it is closed.
    close: Step,
    /// Number of open steps before this one.
    worked: Step,
    /// The start of the window that this step lies in; the step itself if it is closed.
    since: Step,
}

/// Open time of a bay or of a whole crew (when all of its members are there), with prefix counts.
///
/// `end = end_of(start, length)` of interruptible work takes O(1): the position of the `length`-th open step.
#[derive(Debug, Clone)]
pub struct StepCalendar {
    cells: Vec<Cell>,
    /// The open steps, ascending.
    open: Vec<Step>,
    /// Person-steps of overtime before each step; empty if there is no overtime in this calendar.
    extra: Vec<Step>,
    /// Open in every step, and every step is on the grid.
    always: bool,
}

impl StepCalendar {
    /// Returns the calendar that is open in every step.
    pub(super) fn always(clock: &Clock) -> StepCalendar {
        // What takes no time may still start at the horizon.
        let last = if clock.on_grid(clock.horizon) { clock.horizon } else { NEVER };
        StepCalendar::until(&vec![true; clock.horizon as usize], clock, last)
    }

    /// Returns `calendar` in steps: a step is open if all of it is.
    pub(super) fn new(calendar: &Calendar, clock: &Clock) -> StepCalendar {
        StepCalendar::from_open(&clock.open_steps(calendar), clock)
    }

    /// Adds the overtime that each of a crew, whose regular time is `regular`, works while this calendar is open.
    pub(super) fn with_overtime_of(mut self, regular: &[Vec<bool>]) -> StepCalendar {
        let mut extra = Vec::with_capacity(self.cells.len());
        let mut sum = 0;
        for (step, cell) in self.cells.iter().enumerate() {
            extra.push(sum);
            if cell.close > step as Step {
                sum += regular.iter().filter(|own| !own[step]).count() as Step;
            }
        }
        self.extra = extra;
        self
    }

    pub(super) fn from_open(open: &[bool], clock: &Clock) -> StepCalendar {
        StepCalendar::until(open, clock, NEVER)
    }

    /// `last` is the start that is left when no open step is.
    fn until(open: &[bool], clock: &Clock, last: Step) -> StepCalendar {
        let horizon = open.len();
        let mut cells =
            vec![Cell { next: last, close: horizon as Step, worked: 0, since: horizon as Step }; horizon + 1];
        let mut positions = Vec::new();
        for step in 0..horizon {
            if open[step] {
                positions.push(step as Step);
            }
            cells[step + 1].worked = positions.len() as Step;
            let goes_on = step > 0 && open[step] && open[step - 1];
            cells[step].since = if goes_on { cells[step - 1].since } else { step as Step };
        }
        for step in (0..horizon).rev() {
            let after = cells[step + 1];
            let here = &mut cells[step];
            here.close = match open[step] {
                true if step + 1 < horizon && open[step + 1] => after.close,
                true => step as Step + 1,
                false => step as Step,
            };
            here.next = if open[step] && clock.on_grid(step as Step) { step as Step } else { after.next };
        }
        let always = positions.len() == horizon && clock.grid == 1;
        StepCalendar { cells, open: positions, extra: Vec::new(), always }
    }

    /// Returns this calendar without the steps that are taken, and without what lies behind them. The overtime that is counted stays as it was.
    pub(super) fn without(&self, taken: &[bool], clock: &Clock) -> StepCalendar {
        let mut open = vec![false; taken.len()];
        for &step in
            self.open.iter().take_while(|&&step| (step as usize) < taken.len()).filter(|&&step| !taken[step as usize])
        {
            open[step as usize] = true;
        }
        StepCalendar { extra: self.extra.clone(), ..StepCalendar::from_open(&open, clock) }
    }

    /// Closes `[from, until)`, which lies within the horizon: O(horizon), without building anything anew. The overtime that
    /// is counted stays as it was.
    pub(super) fn close_between(&mut self, from: Step, until: Step) {
        if from >= until {
            return;
        }
        let (first, last) = (from as usize, until as usize);
        let (low, high) = (self.cells[first].worked, self.cells[last].worked);
        if low == high {
            return;
        }
        self.always = false;
        let next = self.cells[last].next;
        if self.cells[first].close > from {
            let since = self.cells[first].since as usize;
            for cell in &mut self.cells[since..first] {
                cell.close = from;
            }
        }
        let close = self.cells[last].close;
        if close > until && self.cells[last].since < until {
            for cell in &mut self.cells[last..close as usize] {
                cell.since = until;
            }
        }
        for (step, cell) in self.cells[first..last].iter_mut().enumerate() {
            let step = from + step as Step;
            *cell = Cell { next, close: step, worked: low, since: step };
        }
        for cell in &mut self.cells[last..] {
            cell.worked -= high - low;
        }
        for cell in self.cells[..first].iter_mut().rev() {
            if cell.next < from {
                break;
            }
            cell.next = next;
        }
        self.open.drain(low as usize..high as usize);
    }

    /// Tells whether every step is open and may be started in.
    #[inline]
    pub fn is_always(&self) -> bool {
        self.always
    }

    /// Tells whether `step` is open.
    #[inline]
    pub fn is_open(&self, step: Step) -> bool {
        self.cells[step as usize].close > step
    }

    /// Returns the end of the window that `step` lies in, or `step` if it is closed.
    #[inline]
    pub fn close(&self, step: Step) -> Step {
        self.cells[step as usize].close
    }

    /// Returns the start of the window that `step` lies in, or `step` if it is closed.
    #[inline]
    pub fn open_since(&self, step: Step) -> Step {
        self.cells[step as usize].since
    }

    /// Returns the first step from `step` on that is open and on the grid, or [`NEVER`].
    #[inline]
    pub fn next_open(&self, step: Step) -> Step {
        self.cells.get(step as usize).map_or(NEVER, |cell| cell.next)
    }

    /// Returns the first start from `step` on for work of `length` open steps, which may be interrupted or lies inside
    /// one window; [`NEVER`] if there is none.
    #[inline]
    pub fn next_start(&self, step: Step, length: Step, interruptible: bool) -> Step {
        let mut start = self.next_open(step);
        if interruptible {
            return start;
        }
        while start != NEVER {
            let close = self.cells[start as usize].close;
            if close - start >= length {
                return start;
            }
            start = self.next_open(close);
        }
        NEVER
    }

    /// Returns the end of work of `length` open steps that starts in the open step `start`; [`NEVER`] if it does not end
    /// before the horizon.
    #[inline]
    pub fn end_of(&self, start: Step, length: Step, interruptible: bool) -> Step {
        if !interruptible {
            return start + length;
        }
        if length == 0 {
            return start;
        }
        let last = self.cells[start as usize].worked + length - 1;
        self.open.get(last as usize).map_or(NEVER, |step| step + 1)
    }

    /// Returns the start and the end of the first work of `length` open steps from `step` on.
    #[inline]
    pub fn first(&self, step: Step, length: Step, interruptible: bool) -> (Step, Step) {
        if self.always {
            return (step, step + length);
        }
        let start = self.next_start(step, length, interruptible);
        if start == NEVER { (NEVER, NEVER) } else { (start, self.end_of(start, length, interruptible)) }
    }

    /// Returns the start and the end of the last work of `length` open steps, at least one, that ends by `until`.
    pub fn last(&self, until: Step, length: Step, interruptible: bool) -> Option<(Step, Step)> {
        if self.always {
            return (until >= length).then_some((until - length, until));
        }
        if interruptible {
            let first = self.cells[until as usize].worked - length;
            let open = self.open.get(..=usize::try_from(first).ok()?)?;
            let start = *open.iter().rfind(|&&step| self.cells[step as usize].next == step)?;
            return Some((start, self.end_of(start, length, true)));
        }
        let mut start = until - length;
        while start >= 0 {
            let cell = self.cells[start as usize];
            start = if cell.close <= start {
                let last_open = self.open[usize::try_from(cell.worked).ok()?.checked_sub(1)?];
                last_open + 1 - length
            } else if cell.close - start < length {
                cell.close - length
            } else if cell.next != start {
                start - 1
            } else {
                return Some((start, start + length));
            };
        }
        None
    }

    /// Returns the number of open steps before `step`.
    #[inline]
    pub fn worked_before(&self, step: Step) -> Step {
        self.cells[step as usize].worked
    }

    /// Returns the open steps, ascending.
    pub fn open_steps(&self) -> &[Step] {
        &self.open
    }

    /// Returns the person-steps of overtime worked in `[start, end)`.
    #[inline]
    pub fn overtime(&self, start: Step, end: Step) -> Step {
        if self.extra.is_empty() { 0 } else { self.extra[end as usize] - self.extra[start as usize] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calendar(grid: Step) -> StepCalendar {
        let clock = Clock { base: 0, minutes: 5, grid, horizon: 10 };
        StepCalendar::from_open(&[false, true, true, true, false, false, true, true, false, false], &clock)
    }

    #[test]
    fn interruptible_work_goes_on_at_the_next_opening() {
        let calendar = calendar(1);
        assert_eq!(calendar.first(0, 4, true), (1, 7));
        assert_eq!(calendar.first(3, 1, true), (3, 4));
        assert_eq!(calendar.first(3, 4, true), (3, NEVER));
    }

    #[test]
    fn other_work_waits_for_a_window_that_is_long_enough() {
        let calendar = calendar(1);
        assert_eq!(calendar.first(2, 2, false), (2, 4));
        assert_eq!(calendar.first(3, 2, false), (6, 8));
        assert_eq!(calendar.first(3, 3, false), (NEVER, NEVER));
    }

    /// Goal: closing a stretch is the same as a calendar that was never open in it. Method: every stretch of calendars on
    /// three grids.
    #[test]
    fn a_stretch_that_is_closed_was_never_open() {
        let open = [false, true, true, true, false, false, true, true, false, true];
        for grid in [1, 2, 4] {
            let clock = Clock { base: 0, minutes: 5, grid, horizon: 10 };
            for from in 0..=10 {
                for until in from..=10 {
                    let mut closed = StepCalendar::from_open(&open, &clock);
                    closed.close_between(from, until);
                    let mut rest = open;
                    rest[from as usize..until as usize].fill(false);
                    let expected = StepCalendar::from_open(&rest, &clock);
                    assert_eq!((&closed.cells, &closed.open), (&expected.cells, &expected.open), "{from}..{until}");
                }
            }
        }
    }

    #[test]
    fn the_last_work_ends_by_a_step() {
        let calendar = calendar(1);
        assert_eq!(calendar.last(10, 2, false), Some((6, 8)));
        assert_eq!(calendar.last(7, 2, false), Some((2, 4)));
        assert_eq!(calendar.last(3, 3, false), None);
        assert_eq!(calendar.last(7, 3, true), Some((2, 7)));
        assert_eq!(calendar.last(6, 4, true), None);
        for until in 0..=10 {
            for length in 1..=4 {
                for interruptible in [false, true] {
                    let starts = (0..10).filter(|&start| calendar.is_open(start));
                    let all = starts.map(|start| calendar.first(start, length, interruptible));
                    let last = all.filter(|&(_, end)| end <= until).max();
                    assert_eq!(calendar.last(until, length, interruptible), last);
                }
            }
        }
    }

    #[test]
    fn starts_lie_on_the_grid() {
        assert_eq!(calendar(2).first(0, 2, false), (2, 4));
        assert_eq!(calendar(4).first(0, 1, true), (NEVER, NEVER));
    }
}
