//! Plan runs.

use fitup_store::{
    ClaimedRun, Error, NewPlanRun, Page, Phase, PlanRunRecord, RunEnd, RunLimits, RunProgress, RunState, Store,
};
use jiff::SignedDuration;

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_shop, unencoded};
use crate::orders::draft;

pub fn new_run(id: &str) -> NewPlanRun {
    let limits = RunLimits {
        time_limit: Some(SignedDuration::from_secs(5)),
        iteration_limit: Some(1000),
        seed: -7,
        gap_limit: 0.015,
        as_of_time: Some(at(100)),
    };
    NewPlanRun { id: id.into(), limits, as_of_time: at(100), unfinished_limit: 3, unfinished_limit_in_all: 100 }
}

const PROGRESS: RunProgress = RunProgress { phase: Some(Phase::Improve), best_price: Some(900), bound: 700 };

async fn shop_with_runs<D: Database>(database: &D, runs: &[&str]) -> std::sync::Arc<dyn Store> {
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for (seconds, run) in (1..).zip(runs) {
        queue(&*store, seconds, run).await.unwrap();
    }
    store
}

async fn queue(store: &dyn Store, seconds: i64, run: &str) -> Result<PlanRunRecord, Error> {
    store.create_run(&change(seconds), "shop", new_run(run), unencoded()).await.map(|run| run.fresh().unwrap())
}

async fn claim(store: &dyn Store, now: i64, worker: &str) -> Option<ClaimedRun> {
    store.claim_run(at(now), worker, at(now + 10)).await.unwrap()
}

fn succeeded(plan: &str) -> RunEnd {
    RunEnd::Succeeded { plan: plan.into(), timetable: Box::new(empty_timetable()) }
}

pub async fn a_run_succeeds<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["r"]).await;
    let queued = store.get_run("shop", "r").await.unwrap();
    assert_eq!((queued.state, queued.limits, queued.as_of_time), (RunState::Queued, new_run("r").limits, at(100)));
    assert_eq!((queued.shop_revision, queued.attempts, queued.create_time), (1, 0, at(1)));
    assert_eq!((queued.worker, queued.lease_time, queued.start_time, queued.end_time), (None, None, None, None));

    store.create_order(&change(2), "shop", draft("o"), unencoded()).await.unwrap();
    let claimed = claim(&*store, 3, "w").await.unwrap();
    assert_eq!((claimed.run.state, claimed.run.shop_revision), (RunState::Running, 2), "it works on what there is now");
    assert_eq!(claimed.snapshot, store.snapshot("shop").await.unwrap());
    assert_eq!(claimed.run.lease_time, Some(at(13)));
    assert!(claim(&*store, 3, "w").await.is_none());

    let reported = store.report_run("shop", "r", "w", at(20), PROGRESS).await.unwrap();
    assert_eq!((reported.progress, reported.lease_time, reported.cancel_requested), (PROGRESS, Some(at(20)), false));

    let last = RunProgress { phase: Some(Phase::Exact), best_price: Some(800), bound: 800 };
    let ended = store.finish_run(&change(9), "shop", "r", "w", last, succeeded("p")).await.unwrap();
    assert_eq!((ended.state, ended.plan.as_deref(), ended.progress), (RunState::Succeeded, Some("p"), last));
    assert_eq!((ended.start_time, ended.end_time, ended.lease_time), (Some(at(3)), Some(at(9)), None));
    assert_eq!(ended, store.get_run("shop", "r").await.unwrap());
    let plan = store.get_plan("shop", "p").await.unwrap();
    assert_eq!((plan.plan_run.as_deref(), plan.shop_revision, plan.create_time), (Some("r"), 2, at(9)));
}

pub async fn ends_without_a_plan<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["r", "s"]).await;
    claim(&*store, 3, "w").await.unwrap();
    let failed = RunEnd::Failed { failure: "no time".into() };
    let ended = store.finish_run(&change(4), "shop", "r", "w", RunProgress::default(), failed).await.unwrap();
    assert_eq!((ended.state, ended.failure.as_str(), ended.plan), (RunState::Failed, "no time", None));
    claim(&*store, 5, "w").await.unwrap();
    let end = RunEnd::Cancelled { best: None };
    let ended = store.finish_run(&change(6), "shop", "s", "w", RunProgress::default(), end).await.unwrap();
    assert_eq!((ended.state, ended.plan), (RunState::Cancelled, None));
}

pub async fn the_oldest_is_claimed_first<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["z", "a"]).await;
    store.create_shop(&change(0), plain_shop("other"), unencoded()).await.unwrap();
    store.create_run(&change(0), "other", new_run("r"), unencoded()).await.unwrap();
    let mut names = Vec::new();
    while let Some(claimed) = claim(&*store, 5, "w").await {
        names.push((claimed.snapshot.shop.facts.id, claimed.run.id));
    }
    let expected = [("other", "r"), ("shop", "z"), ("shop", "a")];
    assert_eq!(names, expected.map(|(shop, run)| (shop.to_owned(), run.to_owned())));
    let page = Page { after: None, limit: 10 };
    let listed = store.list_runs("shop", page).await.unwrap();
    assert_eq!(listed.iter().map(|run| run.id.as_str()).collect::<Vec<_>>(), ["a", "z"], "the latest first");
    let listed = store.list_runs("shop", Page { after: Some("a".into()), limit: 10 }).await.unwrap();
    assert_eq!(listed.iter().map(|run| run.id.as_str()).collect::<Vec<_>>(), ["z"]);
}

pub async fn a_lost_lease_changes_nothing<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["r"]).await;
    claim(&*store, 3, "slow").await.unwrap();
    store.requeue_expired_runs(&change(13), 3).await.unwrap();
    claim(&*store, 14, "fast").await.unwrap();
    let before = store.get_run("shop", "r").await.unwrap();
    let lost = store.report_run("shop", "r", "slow", at(99), PROGRESS).await.unwrap_err();
    assert!(matches!(lost, Error::LeaseLost { worker, .. } if worker == "slow"));
    let lost = store.finish_run(&change(15), "shop", "r", "slow", PROGRESS, succeeded("p")).await.unwrap_err();
    assert!(matches!(lost, Error::LeaseLost { .. }));
    assert!(matches!(store.get_plan("shop", "p").await.unwrap_err(), Error::NotFound { .. }));
    assert_eq!(store.get_run("shop", "r").await.unwrap(), before);
    store.finish_run(&change(16), "shop", "r", "fast", PROGRESS, succeeded("p")).await.unwrap();
    let over = store.finish_run(&change(17), "shop", "r", "fast", PROGRESS, succeeded("q")).await.unwrap_err();
    assert!(matches!(over, Error::LeaseLost { .. }), "a run ends once");
}

pub async fn expired_leases_are_requeued<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["r", "cancelled"]).await;
    claim(&*store, 3, "w").await.unwrap();
    claim(&*store, 3, "w").await.unwrap();
    store.cancel_run(&change(4), "shop", "cancelled", unencoded()).await.unwrap();
    store.report_run("shop", "r", "w", at(13), PROGRESS).await.unwrap();
    assert!(store.requeue_expired_runs(&change(12), 2).await.unwrap().is_empty(), "not yet");
    let states = async |now| {
        let runs = store.requeue_expired_runs(&change(now), 2).await.unwrap();
        runs.into_iter().map(|run| (run.id, run.state)).collect::<Vec<_>>()
    };
    let queued = ("r".to_owned(), RunState::Queued);
    assert_eq!(states(13).await, [queued, ("cancelled".to_owned(), RunState::Cancelled)]);
    let again = store.get_run("shop", "r").await.unwrap();
    assert_eq!((again.progress, again.lease_time, again.attempts), (RunProgress::default(), None, 1));
    assert_eq!(claim(&*store, 14, "w").await.unwrap().run.attempts, 2);
    assert_eq!(states(24).await, [("r".to_owned(), RunState::Failed)]);
    let failed = store.get_run("shop", "r").await.unwrap();
    assert_eq!(failed.failure, "given up after 2 attempts: each time the worker was lost");
    assert!(states(99).await.is_empty());
}

pub async fn cancelling<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["first", "second"]).await;
    claim(&*store, 3, "w").await.unwrap();
    let cancel = async |seconds, run: &str| {
        store.cancel_run(&change(seconds), "shop", run, unencoded()).await.unwrap().fresh().unwrap()
    };
    let waiting = cancel(4, "second").await;
    assert_eq!((waiting.state, waiting.end_time), (RunState::Cancelled, Some(at(4))), "at once");
    let running = cancel(5, "first").await;
    assert_eq!((running.state, running.cancel_requested), (RunState::Running, true), "by its worker");
    assert!(store.report_run("shop", "first", "w", at(20), PROGRESS).await.unwrap().cancel_requested);
    let best = Some(("p".to_owned(), Box::new(empty_timetable())));
    let end = RunEnd::Cancelled { best };
    let ended = store.finish_run(&change(6), "shop", "first", "w", PROGRESS, end).await.unwrap();
    assert_eq!((ended.state, ended.plan.as_deref()), (RunState::Cancelled, Some("p")));
    assert_eq!(cancel(7, "first").await, ended, "one that has ended is left as it is");
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = shop_with_runs(&database, &["a", "b"]).await;
    let missing = |error: Error| matches!(error, Error::NotFound { name } if name == "shops/shop/planRuns/none");
    assert!(missing(store.get_run("shop", "none").await.unwrap_err()));
    assert!(missing(store.cancel_run(&change(0), "shop", "none", unencoded()).await.unwrap_err()));
    assert!(missing(store.report_run("shop", "none", "w", at(9), PROGRESS).await.unwrap_err()));
    assert!(matches!(queue(&*store, 5, "a").await.unwrap_err(), Error::AlreadyExists { .. }));
    queue(&*store, 5, "c").await.unwrap();
    assert!(matches!(queue(&*store, 5, "d").await.unwrap_err(), Error::QueueFull { limit: 3, .. }));
    let in_all = NewPlanRun { unfinished_limit: 9, unfinished_limit_in_all: 3, ..new_run("d") };
    let refused = store.create_run(&change(5), "shop", in_all, unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::QueuesFull { limit: 3 }));
    let none = store.create_run(&change(0), "none", new_run("r"), unencoded()).await.unwrap_err();
    assert!(matches!(none, Error::NotFound { name } if name == "shops/none"));
}
