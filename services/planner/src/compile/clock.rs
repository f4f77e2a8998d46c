//! Between minutes of the problem and steps of the planner.

use fitup_model::{Calendar, Problem, Time};

use super::Step;

/// How steps lie in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clock {
    /// Minute of step 0: now, rounded down to the grid.
    pub base: i64,
    /// Minutes a step.
    pub minutes: i64,
    /// Steps a grid: planned operations start in multiples of it.
    pub grid: Step,
    /// Everything planned ends by this step.
    pub horizon: Step,
}

/// No problem is planned over more steps than this; what lies behind is not used.
const MOST_STEPS: i64 = 1 << 20;

impl Clock {
    /// Returns the clock for `problem`, and whether its horizon had to be cut.
    pub(super) fn new(problem: &Problem) -> (Clock, bool) {
        let grid = problem.grid.minutes();
        let base = problem.now.minutes().div_euclid(grid) * grid;
        let mut minutes = grid;
        for technician in problem.technicians.values() {
            for id in [Some(technician.calendar), technician.with_overtime].into_iter().flatten() {
                for window in problem.calendars[id].windows() {
                    for edge in [window.start(), window.end()] {
                        if edge > problem.now && edge < problem.horizon {
                            minutes = greatest_common_divisor(minutes, edge.minutes() - base);
                        }
                    }
                }
            }
        }
        let steps = (problem.horizon.minutes() - base).max(0).div_euclid(minutes);
        let horizon = steps.min(MOST_STEPS) as Step;
        (Clock { base, minutes, grid: (grid / minutes) as Step, horizon }, steps > MOST_STEPS)
    }

    /// Tells whether planned operations may start in `step`.
    #[inline]
    pub fn on_grid(&self, step: Step) -> bool {
        self.grid == 1 || step % self.grid == 0
    }

    /// Returns the minute, from the origin of the problem, in which `step` begins.
    #[inline]
    pub fn minute(&self, step: Step) -> i64 {
        self.base + i64::from(step) * self.minutes
    }

    /// Returns the time at which `step` begins.
    pub fn time(&self, step: Step) -> Time {
        Time::from_minutes(self.minute(step))
    }

    /// Returns the last step that begins no later than `time`; may be negative or beyond the horizon.
    pub fn floor(&self, time: Time) -> Step {
        clamp((time.minutes() - self.base).div_euclid(self.minutes))
    }

    /// Returns the first step that begins no earlier than `time`; may be negative or beyond the horizon.
    pub fn ceil(&self, time: Time) -> Step {
        clamp(-((self.base - time.minutes()).div_euclid(self.minutes)))
    }

    /// Returns `minutes` in steps, rounded down.
    pub fn floor_span(&self, minutes: i64) -> Step {
        clamp(minutes.div_euclid(self.minutes))
    }

    /// Returns `minutes` in steps, rounded up.
    pub fn ceil_span(&self, minutes: i64) -> Step {
        clamp(-(-minutes).div_euclid(self.minutes))
    }

    /// Tells for each step whether all of it is open.
    pub(super) fn open_steps(&self, calendar: &Calendar) -> Vec<bool> {
        let mut open = vec![false; self.horizon as usize];
        for window in calendar.windows() {
            let (from, until) = (self.ceil(window.start()).max(0), self.floor(window.end()).min(self.horizon));
            if from < until {
                open[from as usize..until as usize].fill(true);
            }
        }
        open
    }
}

fn clamp(steps: i64) -> Step {
    let most = i64::from(super::NEVER) / 4;
    steps.clamp(-most, most) as Step
}

fn greatest_common_divisor(a: i64, b: i64) -> i64 {
    if b == 0 { a.abs() } else { greatest_common_divisor(b, a % b) }
}
