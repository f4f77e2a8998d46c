//! What time it is.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Instant;

use jiff::{SignedDuration, Timestamp};

/// The clock of the service: the machine's, or one that was set when the service started.
#[derive(Debug, Clone, Copy)]
pub enum Clock {
    /// The machine's.
    Machine,
    /// Showed `start` at `since` and has run on from there: for demos, rehearsals and tests.
    Set {
        /// What it showed.
        start: Timestamp,
        /// When that was.
        since: Instant,
    },
    /// Stands still until a test moves it; seconds since 1970.
    ByHand(&'static AtomicI64),
}

impl Clock {
    /// Returns a clock that shows `start` now, or the machine's.
    pub fn new(start: Option<Timestamp>) -> Clock {
        start.map_or(Clock::Machine, |start| Clock::Set { start, since: Instant::now() })
    }

    /// Returns the time.
    pub fn now(&self) -> Timestamp {
        match self {
            Clock::Machine => Timestamp::now(),
            Clock::Set { start, since } => {
                let passed = SignedDuration::try_from(since.elapsed()).unwrap_or(SignedDuration::MAX);
                start.saturating_add(passed).unwrap_or(Timestamp::MAX)
            }
            Clock::ByHand(seconds) => {
                Timestamp::from_second(seconds.load(Ordering::SeqCst)).unwrap_or(Timestamp::UNIX_EPOCH)
            }
        }
    }
}
