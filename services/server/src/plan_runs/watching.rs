//! Who watches a plan run is told whenever it gets better, and of its end.

use fitup_store::{PlanRunRecord, RunProgress};
use tokio::sync::{mpsc, watch};

use super::work::stopped;
use super::{Inner, POLL, WATCH_PAUSE, with_progress};
use crate::error::Error;

impl Inner {
    /// Sends the states of a run until its end, or until nobody wants them any more.
    pub(super) async fn watch(
        &self,
        shop: &str,
        run: &str,
        sender: &mpsc::Sender<Result<PlanRunRecord, Error>>,
    ) -> Result<(), Error> {
        let mut stopping = self.stopping.subscribe();
        let mut last: Option<PlanRunRecord> = None;
        loop {
            let moved = self.moved.notified();
            let progress = self.live(shop, run).map(|live| live.progress.subscribe());
            let record = self.store.get_run(shop, run).await?;
            let ended = record.state.is_final();
            let Some(mut progress) = progress.filter(|_| !ended) else {
                if !send_new(sender, &mut last, record).await || ended {
                    return Ok(());
                }
                tokio::select! {
                    () = moved => {}
                    () = tokio::time::sleep(POLL) => {}
                    () = sender.closed() => return Ok(()),
                    () = stopped(&mut stopping) => return Err(Error::ShuttingDown),
                }
                continue;
            };
            loop {
                let current = with_progress(&record, *progress.borrow_and_update());
                if !send_new(sender, &mut last, current).await {
                    return Ok(());
                }
                tokio::select! {
                    () = tokio::time::sleep(WATCH_PAUSE) => {}
                    () = sender.closed() => return Ok(()),
                    () = ended_here(progress.clone()) => break,
                }
                tokio::select! {
                    changed = progress.changed() => if changed.is_err() { break },
                    () = sender.closed() => return Ok(()),
                }
            }
        }
    }
}

/// Waits until nobody can report progress any more.
async fn ended_here(mut progress: watch::Receiver<RunProgress>) {
    while progress.changed().await.is_ok() {}
}

/// Sends a state if it differs from the last one; `false` if nobody watches any more.
async fn send_new(
    sender: &mpsc::Sender<Result<PlanRunRecord, Error>>,
    last: &mut Option<PlanRunRecord>,
    mut record: PlanRunRecord,
) -> bool {
    // Leases are no business of those who watch.
    record.lease_time = None;
    if last.as_ref() == Some(&record) {
        return true;
    }
    *last = Some(record.clone());
    sender.send(Ok(record)).await.is_ok()
}
