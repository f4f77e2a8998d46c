//! When to stop searching. The planner has no clock: whoever has one passes a [`Stop`] that reads it.

use std::sync::atomic::{AtomicBool, Ordering};

/// Says when to stop, and how much of the time is gone.
pub trait Stop: Sync {
    /// Tells whether to stop now; once true it stays true. Cheap enough to be polled every few microseconds.
    fn should_stop(&self) -> bool;

    /// Returns the share of the budget that is used, `0..=1`; the search cools down by it. 0 where no budget is known.
    fn used(&self) -> f64;

    /// Returns the seconds that are left, where that is known: for work that cannot be stopped half-way.
    fn seconds_left(&self) -> Option<f64> {
        None
    }
}

/// Never stops: the planner ends by its iteration limit, its gap or its proof.
#[derive(Debug, Clone, Copy, Default)]
pub struct Never;

impl Stop for Never {
    fn should_stop(&self) -> bool {
        false
    }
    fn used(&self) -> f64 {
        0.0
    }
}

/// Stops as soon as somebody has cancelled.
#[derive(Debug, Default)]
pub struct CancelFlag(AtomicBool);

impl CancelFlag {
    /// Returns a flag that nobody has raised yet; share it in an [`std::sync::Arc`].
    pub const fn new() -> CancelFlag {
        CancelFlag(AtomicBool::new(false))
    }

    /// Asks the planner to stop.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

impl Stop for CancelFlag {
    fn should_stop(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
    fn used(&self) -> f64 {
        0.0
    }
}

/// Stops when any of its parts does.
pub struct AnyOf<'a>(pub &'a [&'a dyn Stop]);

impl Stop for AnyOf<'_> {
    fn should_stop(&self) -> bool {
        self.0.iter().any(|stop| stop.should_stop())
    }
    fn used(&self) -> f64 {
        self.0.iter().map(|stop| stop.used()).fold(0.0, f64::max)
    }
    fn seconds_left(&self) -> Option<f64> {
        self.0.iter().filter_map(|stop| stop.seconds_left()).reduce(f64::min)
    }
}

impl<S: Stop + Send + ?Sized> Stop for std::sync::Arc<S> {
    fn should_stop(&self) -> bool {
        (**self).should_stop()
    }
    fn used(&self) -> f64 {
        (**self).used()
    }
    fn seconds_left(&self) -> Option<f64> {
        (**self).seconds_left()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_of_stops_with_the_first() {
        let flag = CancelFlag::new();
        let parts: [&dyn Stop; 2] = [&Never, &flag];
        assert!(!AnyOf(&parts).should_stop());
        flag.cancel();
        assert!(AnyOf(&parts).should_stop());
    }
}
