//! What is done with the queue: take runs up, keep their leases, search, write their ends.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use fitup_planner::CancelFlag;
use fitup_store::{Change, ClaimedRun, Error as StoreError, PlanRunRecord, RunEnd, RunProgress};
use jiff::{SignedDuration, Timestamp};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot, watch};
use tokio::task::JoinSet;
use tracing::Instrument;

use super::{Inner, Live, POLL, PlanRuns, new_id};
use crate::error::chain;
use crate::search::{Found, search};

/// A run that has brought down its server so often is given up.
const ATTEMPT_LIMIT: u32 = 5;
/// Who works in the audit trail.
const ACTOR: &str = "planner";

impl PlanRuns {
    /// Works on plan runs until [`PlanRuns::stop`], then ends those under way and returns.
    pub async fn work(self) {
        let slots = Arc::new(Semaphore::new(self.0.settings.at_once));
        let mut stopping = self.0.stopping.subscribe();
        let mut runs = JoinSet::new();
        let listening = tokio::spawn(listen(Arc::clone(&self.0)));
        // Runs of a server that was here before are taken up at once: their leases end with the longest that there is.
        // Several servers would take each other's runs.
        let expired = if self.0.settings.alone { self.0.lease_time() } else { self.0.clock.now() };
        self.0.requeue_expired(expired).await;
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
        listening.abort();
    }
}

/// Passes on news of plan runs, whichever server of the database they come from, to those who wait for some.
async fn listen(inner: Arc<Inner>) {
    let mut notices = inner.store.notices();
    while notices.next().await.is_some() {
        inner.queued.notify_one();
        inner.moved.notify_waiters();
    }
}

impl Inner {
    fn lease_time(&self) -> Timestamp {
        let lease = SignedDuration::try_from(self.settings.lease).unwrap_or(SignedDuration::from_secs(10));
        self.clock.now().saturating_add(lease).unwrap_or(Timestamp::MAX)
    }

    fn change(&self, at: Timestamp) -> Change {
        Change { at, actor: ACTOR.into(), origin: None, request: None }
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
        self.metrics.run_began();
        let started = Instant::now();
        match self.search(claimed, &live).await {
            Some(found) => {
                if let Some(ended) = self.finish(&shop, &run, &live, found).await {
                    self.metrics.run_ended(&ended, started.elapsed());
                }
            }
            None => tracing::warn!("plan run dropped: another server has it"),
        }
        self.metrics.run_left();
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

    /// Writes the end of a run and returns it. Retries while the store is away, as long as the lease would last.
    async fn finish(&self, shop: &str, run: &str, live: &Live, found: Found) -> Option<PlanRunRecord> {
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
            Found::Nothing if *self.stopping.borrow() => {
                self.hand_over(shop, run, progress).await;
                return None;
            }
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
                    return Some(record);
                }
                Err(StoreError::Unavailable(error)) if tokio::time::Instant::now() < give_up => {
                    tracing::warn!(%error, "the end of a plan run was not written yet");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
                Err(error) => {
                    tracing::error!(error = chain(&error), "the end of a plan run was not written");
                    return None;
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
}

/// Waits until the server stops.
pub(super) async fn stopped(stopping: &mut watch::Receiver<bool>) {
    // Fails if the sender is gone, and with it the server.
    let _ = stopping.wait_for(|stopping| *stopping).await;
}

#[cfg(test)]
mod tests {
    use fitup_model::ShopFacts;
    use fitup_store::sqlite::SqliteStore;
    use fitup_store::{NewPlanRun, RunLimits, RunState, Store};

    use super::*;
    use crate::access::{self, Caller};
    use crate::clock::Clock;
    use crate::plan_runs::Settings;

    async fn enter_run(store: &dyn Store, clock: &Clock) {
        let facts = ShopFacts {
            id: "main".into(),
            display_name: "Main Street".into(),
            time_zone: "America/Chicago".into(),
            skills: vec![],
            calendars: vec![],
            holidays: vec![],
            bays: vec![],
            equipment: vec![],
            technicians: vec![],
            changeovers: vec![],
            settings: Default::default(),
        };
        let change = Change { at: clock.now(), actor: "test".into(), origin: None, request: None };
        store.create_shop(&change, facts, Box::new(|_| vec![])).await.expect("a shop");
        let limits = RunLimits { time_limit: None, iteration_limit: None, seed: 0, gap_limit: 0.0, as_of_time: None };
        let run = NewPlanRun {
            id: "run".into(),
            limits,
            as_of_time: clock.now(),
            unfinished_limit: 9,
            unfinished_limit_in_all: 9,
        };
        store.create_run(&change, "main", run, Box::new(|_| vec![])).await.expect("a run");
    }

    /// Goal: a run that has no plan yet when its server stops is not lost. Method: one search that ended with nothing
    /// because of the stop, then the next server.
    #[tokio::test]
    async fn a_run_without_a_plan_is_left_to_the_next_server() {
        let folder = tempfile::tempdir().expect("a folder");
        let store: Arc<dyn Store> = Arc::new(SqliteStore::open(folder.path()).await.expect("a database"));
        let clock = Clock::new(None);
        let settings = Settings {
            at_once: 1,
            threads: 1,
            unfinished_limit: 9,
            unfinished_limit_in_all: 9,
            lease: Duration::from_secs(60),
            alone: true,
        };
        enter_run(&*store, &clock).await;

        let first = PlanRuns::new(Arc::clone(&store), clock, settings, Arc::default());
        let claimed = first.0.claim().await.expect("a run that waits");
        first.stop();
        let live = Live {
            stop: CancelFlag::new(),
            cancelled: AtomicBool::new(false),
            progress: watch::Sender::new(RunProgress::default()),
        };
        first.0.finish("main", &claimed.run.id, &live, Found::Nothing).await;
        let left = store.get_run("main", "run").await.expect("the run");
        assert_eq!((left.state, left.plan, left.failure.as_str()), (RunState::Running, None, ""));
        assert!(left.lease_time.expect("a lease") <= clock.now());

        let second = PlanRuns::new(Arc::clone(&store), clock, settings, Arc::default());
        let working = tokio::spawn(second.clone().work());
        let watch = second.watch("main".into(), "run".into());
        let states = access::within(Caller::local(), watch).await.expect("a run");
        let mut states = tokio_stream::StreamExt::map(states, |state| state.expect("a state"));
        let mut last = None;
        while let Some(state) = tokio_stream::StreamExt::next(&mut states).await {
            last = Some(state);
        }
        let last = last.expect("a final state");
        assert_eq!((last.state, last.attempts), (RunState::Succeeded, 2));
        second.stop();
        working.await.expect("no panic");
    }
}
