//! Plan runs at work: claimed from the queue in the store, searched for on threads of their own, watched and cancelled.
//!
//! The store knows which runs there are; what is here could be lost at any time. A run is this server's while it keeps
//! extending its lease; a run of a server that is gone is queued again when its lease has expired.

mod watching;
mod work;

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use fitup_planner::CancelFlag;
use fitup_store::{PlanRunRecord, RunProgress, RunState, Store};
use jiff::Timestamp;
use tokio::sync::{Notify, mpsc, watch};
use tokio_stream::wrappers::ReceiverStream;
use tracing::Instrument;
use uuid::Uuid;

use crate::access::guard::Guarded;
use crate::clock::Clock;
use crate::error::Error;
use crate::metrics::Metrics;

/// How plan runs are worked on.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// So many at once.
    pub at_once: usize,
    /// Threads of each.
    pub threads: usize,
    /// So many of a shop may wait or run.
    pub unfinished_limit: u32,
    /// So many of all shops may wait or run.
    pub unfinished_limit_in_all: u32,
    /// A run is taken from a server that has not been heard of for so long.
    pub lease: Duration,
    /// No other server works on the database: runs under way at the start are those of the server before.
    pub alone: bool,
}

/// The queue is looked at this often even if nobody says that there is something new: other servers fill it too.
const POLL: Duration = Duration::from_millis(500);
/// A watcher is told of progress no more often than this.
const WATCH_PAUSE: Duration = Duration::from_millis(100);
/// Who cancels waits this long for the end.
const CANCEL_WAIT: Duration = Duration::from_secs(3);

/// The plan runs of this server.
#[derive(Clone)]
pub struct PlanRuns(Arc<Inner>);

struct Inner {
    /// All there is: for the work.
    store: Arc<dyn Store>,
    /// What the caller of the moment sees of it: for their questions.
    seen: Arc<dyn Store>,
    clock: Clock,
    settings: Settings,
    worker: String,
    live: Mutex<HashMap<(String, String), Arc<Live>>>,
    /// There may be something in the queue.
    queued: Notify,
    /// A run was claimed or has ended.
    moved: Notify,
    stopping: watch::Sender<bool>,
    metrics: Arc<Metrics>,
}

/// A run that this server works on.
struct Live {
    stop: CancelFlag,
    /// Somebody wants it to end, and not only the server.
    cancelled: AtomicBool,
    progress: watch::Sender<RunProgress>,
}

impl Live {
    fn cancel(&self) {
        self.cancelled.store(true, Ordering::Relaxed);
        self.stop.cancel();
    }
}

impl PlanRuns {
    /// Returns plan runs nobody works on yet: see [`PlanRuns::work`].
    pub fn new(store: Arc<dyn Store>, clock: Clock, settings: Settings, metrics: Arc<Metrics>) -> PlanRuns {
        let seen: Arc<dyn Store> = Arc::new(Guarded(Arc::clone(&store)));
        let worker = format!("fitupd-{}", Uuid::new_v4());
        PlanRuns(Arc::new(Inner {
            store,
            seen,
            clock,
            settings,
            worker,
            live: Mutex::default(),
            queued: Notify::new(),
            moved: Notify::new(),
            stopping: watch::Sender::new(false),
            metrics,
        }))
    }

    /// Returns an id for a new plan or plan run: when it is from, and six digits that tell it from others of that second.
    pub fn new_id(&self) -> String {
        new_id(self.0.clock.now())
    }

    /// Returns how many runs of a shop may wait or run.
    pub fn unfinished_limit(&self) -> u32 {
        self.0.settings.unfinished_limit
    }

    /// Returns how many runs of all shops may wait or run.
    pub fn unfinished_limit_in_all(&self) -> u32 {
        self.0.settings.unfinished_limit_in_all
    }

    /// Says that there is something in the queue.
    pub fn wake(&self) {
        self.0.queued.notify_one();
    }

    /// Returns a run as it is now.
    ///
    /// # Errors
    /// Those of the store.
    pub async fn get(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
        let live = self.0.live(shop, run);
        let record = self.0.seen.get_run(shop, run).await?;
        Ok(live.map_or(record.clone(), |live| with_progress(&record, *live.progress.borrow())))
    }

    /// Stops a run that was cancelled, and returns it when it has ended, or after a while as it is then.
    ///
    /// # Errors
    /// Those of the store.
    pub async fn ended(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
        self.0.seen.get_run(shop, run).await?;
        if let Some(live) = self.0.live(shop, run) {
            live.cancel();
        }
        let end = tokio::time::Instant::now() + CANCEL_WAIT;
        loop {
            let moved = self.0.moved.notified();
            let record = self.0.store.get_run(shop, run).await?;
            if record.state.is_final() || tokio::time::Instant::now() >= end {
                return Ok(record);
            }
            tokio::select! {
                () = moved => {}
                () = tokio::time::sleep(WATCH_PAUSE) => {}
            }
        }
    }

    /// Returns the states of a run from now on, the last one final. Only the newest matters: a slow watcher misses some.
    ///
    /// # Errors
    /// Those of the store, at once or in the stream; [`Error::ShuttingDown`] when another server has to be asked.
    pub async fn watch(
        &self,
        shop: String,
        run: String,
    ) -> Result<ReceiverStream<Result<PlanRunRecord, Error>>, Error> {
        self.0.seen.get_run(&shop, &run).await?;
        let (sender, receiver) = mpsc::channel(1);
        let inner = Arc::clone(&self.0);
        let watching = async move {
            if let Err(error) = inner.watch(&shop, &run, &sender).await {
                // Fails if nobody watches any more.
                let _ = sender.send(Err(error)).await;
            }
        };
        tokio::spawn(watching.in_current_span());
        Ok(ReceiverStream::new(receiver))
    }

    /// Takes no more runs from the queue, and ends those under way with their best plan. A run that has none yet is
    /// left to the next server.
    pub fn stop(&self) {
        self.0.stopping.send_replace(true);
        self.0.stop_live();
    }
}

impl Inner {
    fn lock(&self) -> MutexGuard<'_, HashMap<(String, String), Arc<Live>>> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn live(&self, shop: &str, run: &str) -> Option<Arc<Live>> {
        self.lock().get(&(shop.to_owned(), run.to_owned())).cloned()
    }

    fn stop_live(&self) {
        for live in self.lock().values() {
            live.stop.cancel();
        }
    }
}

fn new_id(now: Timestamp) -> String {
    let random = Uuid::new_v4().simple().to_string();
    format!("{}-{}", now.strftime("%Y%m%d-%H%M%S"), &random[..6])
}

/// Returns a run with newer progress than was written, as long as it runs.
fn with_progress(record: &PlanRunRecord, progress: RunProgress) -> PlanRunRecord {
    let newer = record.state == RunState::Running && progress.phase.is_some();
    PlanRunRecord { progress: if newer { progress } else { record.progress }, ..record.clone() }
}
