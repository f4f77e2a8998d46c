//! Plan runs at work: claimed from the queue in the store, searched for on threads of their own, watched and cancelled.
//!
//! The store knows which runs there are; what is here could be lost at any time. A run is this server's while it keeps
//! extending its lease; a run of a server that is gone is queued again when its lease has expired.

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use fitup_planner::CancelFlag;
use fitup_store::{Change, ClaimedRun, Error as StoreError, PlanRunRecord, RunEnd, RunProgress, RunState, Store};
use jiff::{SignedDuration, Timestamp};
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio_stream::wrappers::ReceiverStream;
use tracing::Instrument;
use uuid::Uuid;

use crate::clock::Clock;
use crate::error::{Error, chain};
use crate::search::{Found, search};

/// How plan runs are worked on.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// So many at once.
    pub at_once: usize,
    /// Threads of each.
    pub threads: usize,
    /// So many of a shop may wait or run.
    pub unfinished_limit: u32,
    /// A run is taken from a server that has not been heard of for so long.
    pub lease: Duration,
}

/// The queue is looked at this often even if nobody says that there is something new: other servers fill it too.
const POLL: Duration = Duration::from_millis(500);
/// A watcher is told of progress no more often than this.
const WATCH_PAUSE: Duration = Duration::from_millis(100);
/// Who cancels waits this long for the end.
const CANCEL_WAIT: Duration = Duration::from_secs(3);
/// A run that has brought down its server so often is given up.
const ATTEMPT_LIMIT: u32 = 5;
/// Who works in the audit trail.
const ACTOR: &str = "planner";

/// The plan runs of this server.
#[derive(Clone)]
pub struct PlanRuns(Arc<Inner>);

struct Inner {
    store: Arc<dyn Store>,
    clock: Clock,
    settings: Settings,
    worker: String,
    live: Mutex<HashMap<(String, String), Arc<Live>>>,
    /// There may be something in the queue.
    queued: Notify,
    /// A run was claimed or has ended.
    moved: Notify,
    stopping: watch::Sender<bool>,
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
    pub fn new(store: Arc<dyn Store>, clock: Clock, settings: Settings) -> PlanRuns {
        let worker = format!("fitupd-{}", Uuid::new_v4());
        PlanRuns(Arc::new(Inner {
            store,
            clock,
            settings,
            worker,
            live: Mutex::default(),
            queued: Notify::new(),
            moved: Notify::new(),
            stopping: watch::Sender::new(false),
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
        let record = self.0.store.get_run(shop, run).await?;
        Ok(live.map_or(record.clone(), |live| with_progress(&record, *live.progress.borrow())))
    }

    /// Stops a run that was cancelled, and returns it when it has ended, or after a while as it is then.
    ///
    /// # Errors
    /// Those of the store.
    pub async fn ended(&self, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
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
        self.0.store.get_run(&shop, &run).await?;
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

    /// Works on plan runs until [`PlanRuns::stop`], then ends those under way and returns.
    pub async fn work(self) {
        let slots = Arc::new(Semaphore::new(self.0.settings.at_once));
        let mut stopping = self.0.stopping.subscribe();
        let mut runs = JoinSet::new();
        // Runs of a server that was here before are taken up at once: their leases end with the longest that there is.
        // That is right for a database that has one server; several would take each other's runs.
        self.0.requeue_expired(self.0.lease_time()).await;
        loop {
            while runs.try_join_next().is_some() {}
            let queued = self.0.queued.notified();
            let slot = tokio::select! {
                slot = Arc::clone(&slots).acquire_owned() => slot.expect("nobody closes it"),
                () = stopped(&mut stopping) => break,
            };
            if let Some(claimed) = self.0.claim().await {
                let inner = Arc::clone(&self.0);
                let span = tracing::info_span!(
                    "plan_run",
                    shop = claimed.run.shop,
                    run = claimed.run.id,
                    attempt = claimed.run.attempts
                );
                runs.spawn(async move { inner.run(claimed, slot).await }.instrument(span));
                continue;
            }
            drop(slot);
            tokio::select! {
                () = queued => {}
                () = tokio::time::sleep(POLL) => self.0.requeue_expired(self.0.clock.now()).await,
                () = stopped(&mut stopping) => break,
            }
        }
        // A claim may still have become live after the stop.
        self.0.stop_live();
        while runs.join_next().await.is_some() {}
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

    fn lease_time(&self) -> Timestamp {
        let lease = SignedDuration::try_from(self.settings.lease).unwrap_or(SignedDuration::from_secs(10));
        self.clock.now().saturating_add(lease).unwrap_or(Timestamp::MAX)
    }

    fn change(&self, at: Timestamp) -> Change {
        Change { at, actor: ACTOR.into(), request: None }
    }

    async fn requeue_expired(&self, at: Timestamp) {
        match self.store.requeue_expired_runs(&self.change(at), ATTEMPT_LIMIT).await {
            Ok(runs) => {
                for run in runs {
                    tracing::warn!(shop = run.shop, run = run.id, state = ?run.state, "its server is gone");
                }
                self.moved.notify_waiters();
            }
            Err(error) => tracing::warn!(error = chain(&error), "expired plan runs stay for now"),
        }
    }

    async fn claim(&self) -> Option<ClaimedRun> {
        let claimed = self.store.claim_run(self.clock.now(), &self.worker, self.lease_time()).await;
        claimed.unwrap_or_else(|error| {
            tracing::warn!(error = chain(&error), "no plan run can be claimed");
            None
        })
    }

    /// Works on a run to its end.
    async fn run(&self, claimed: ClaimedRun, slot: OwnedSemaphorePermit) {
        let (shop, run) = (claimed.run.shop.clone(), claimed.run.id.clone());
        let live = Arc::new(Live {
            stop: CancelFlag::new(),
            cancelled: AtomicBool::new(claimed.run.cancel_requested),
            progress: watch::Sender::new(RunProgress::default()),
        });
        self.lock().insert((shop.clone(), run.clone()), Arc::clone(&live));
        if claimed.run.cancel_requested || *self.stopping.borrow() {
            live.stop.cancel();
        }
        self.moved.notify_waiters();
        tracing::info!("plan run started");
        match self.search(claimed, &live).await {
            Some(found) => self.finish(&shop, &run, &live, found).await,
            None => tracing::warn!("plan run dropped: another server has it"),
        }
        self.lock().remove(&(shop, run));
        drop(live);
        self.moved.notify_waiters();
        drop(slot);
    }

    /// Runs the search on a thread of its own and keeps the lease meanwhile; `None` if the lease was lost.
    async fn search(&self, claimed: ClaimedRun, live: &Arc<Live>) -> Option<Found> {
        let (shop, run) = (claimed.run.shop.clone(), claimed.run.id.clone());
        let (sender, mut ended) = oneshot::channel();
        let (threads, span, worker_live) = (self.settings.threads, tracing::Span::current(), Arc::clone(live));
        let body = move || {
            let _entered = span.enter();
            let report = |progress| {
                worker_live.progress.send_replace(progress);
            };
            // Fails if the lease was lost: then nobody wants it.
            let _ = sender.send(search(&claimed, threads, &worker_live.stop, &report));
        };
        if let Err(error) = std::thread::Builder::new().name("plan-run".into()).spawn(body) {
            tracing::error!(%error, "no thread for a plan run");
            return Some(Found::Failure("the server has no thread to spare; start a new run later".into()));
        }
        let mut beat = tokio::time::interval(self.settings.lease / 5);
        loop {
            tokio::select! {
                found = &mut ended => {
                    // The search panicked, and the log has it.
                    let lost = || Found::Failure("internal error; the server's log has the details".into());
                    return Some(found.unwrap_or_else(|_| lost()));
                }
                _ = beat.tick() => {
                    let progress = *live.progress.borrow();
                    match self.store.report_run(&shop, &run, &self.worker, self.lease_time(), progress).await {
                        Ok(record) if record.cancel_requested => live.cancel(),
                        Ok(_) => {}
                        Err(StoreError::LeaseLost { .. } | StoreError::NotFound { .. }) => {
                            live.stop.cancel();
                            return None;
                        }
                        Err(error) => tracing::warn!(error = chain(&error), "the lease was not extended"),
                    }
                }
            }
        }
    }

    /// Writes the end of a run. Retries while the store is away, as long as the lease would last.
    async fn finish(&self, shop: &str, run: &str, live: &Live, found: Found) {
        let cancelled = live.cancelled.load(Ordering::Relaxed);
        let mut progress = *live.progress.borrow();
        let end = match found {
            Found::Plan(timetable) => {
                (progress.best_price, progress.bound) = (Some(timetable.price.total()), timetable.bound);
                let plan = new_id(self.clock.now());
                if cancelled {
                    RunEnd::Cancelled { best: Some((plan, timetable)) }
                } else {
                    RunEnd::Succeeded { plan, timetable }
                }
            }
            Found::Nothing if cancelled => RunEnd::Cancelled { best: None },
            Found::Nothing if *self.stopping.borrow() => return self.hand_over(shop, run, progress).await,
            Found::Nothing => RunEnd::Failed { failure: "no plan was found within the limits; allow more time".into() },
            Found::Failure(failure) => RunEnd::Failed { failure },
        };
        let give_up = tokio::time::Instant::now() + self.settings.lease;
        loop {
            let change = self.change(self.clock.now());
            match self.store.finish_run(&change, shop, run, &self.worker, progress, end.clone()).await {
                Ok(record) => {
                    let (state, price, bound) = (record.state, record.progress.best_price, record.progress.bound);
                    tracing::info!(?state, price, bound, failure = record.failure, "plan run ended");
                    return;
                }
                Err(StoreError::Unavailable(error)) if tokio::time::Instant::now() < give_up => {
                    tracing::warn!(%error, "the end of a plan run was not written yet");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
                Err(error) => {
                    tracing::error!(error = chain(&error), "the end of a plan run was not written");
                    return;
                }
            }
        }
    }

    /// Lets the lease of a run end now, so that the next server takes it up.
    async fn hand_over(&self, shop: &str, run: &str, progress: RunProgress) {
        match self.store.report_run(shop, run, &self.worker, self.clock.now(), progress).await {
            Ok(_) => tracing::info!("plan run left to the next server"),
            Err(error) => tracing::warn!(error = chain(&error), "plan run left until its lease ends"),
        }
    }

    async fn watch(
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

fn new_id(now: Timestamp) -> String {
    let random = Uuid::new_v4().simple().to_string();
    format!("{}-{}", now.strftime("%Y%m%d-%H%M%S"), &random[..6])
}

/// Waits until the server stops.
async fn stopped(stopping: &mut watch::Receiver<bool>) {
    // Fails if the sender is gone, and with it the server.
    let _ = stopping.wait_for(|stopping| *stopping).await;
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

/// Returns a run with newer progress than was written, as long as it runs.
fn with_progress(record: &PlanRunRecord, progress: RunProgress) -> PlanRunRecord {
    let newer = record.state == RunState::Running && progress.phase.is_some();
    PlanRunRecord { progress: if newer { progress } else { record.progress }, ..record.clone() }
}
