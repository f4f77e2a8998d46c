//! News of plan runs, so that nobody has to ask over and over how far they are.
//!
//! A notice says what has changed and not how: whoever cares reads it. It comes after the change is committed, from
//! whichever server made it. When some may be lost, [`Notice::Missed`] says so; a connection that died unnoticed says
//! nothing, so ask now and then all the same.

use tokio::sync::broadcast;

/// Notices that a slow reader may be behind before it misses some.
const BACKLOG: usize = 1024;

/// What has changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// A plan run was queued, claimed, reported on, ended or queued again.
    PlanRun {
        /// Id of its shop.
        shop: String,
        /// Its id.
        run: String,
    },
    /// Anything may have changed: read again what you care for.
    Missed,
}

/// Receives notices from the moment it was made.
#[derive(Debug)]
pub struct Notices(broadcast::Receiver<Notice>);

impl Notices {
    /// Waits for the next notice; `None` once the store is gone. Nothing is lost if the future is dropped.
    pub async fn next(&mut self) -> Option<Notice> {
        match self.0.recv().await {
            Ok(notice) => Some(notice),
            Err(broadcast::error::RecvError::Lagged(_)) => Some(Notice::Missed),
            Err(broadcast::error::RecvError::Closed) => None,
        }
    }
}

/// Gives notices to all who listen in this process.
#[derive(Debug, Clone)]
pub(crate) struct Sender(broadcast::Sender<Notice>);

impl Sender {
    pub(crate) fn new() -> Sender {
        Sender(broadcast::Sender::new(BACKLOG))
    }

    pub(crate) fn send(&self, notice: Notice) {
        // An error says that nobody listens, which is fine.
        let _ = self.0.send(notice);
    }

    pub(crate) fn subscribe(&self) -> Notices {
        Notices(self.0.subscribe())
    }
}
