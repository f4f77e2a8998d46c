//! News of plan runs, from whichever opening they were made.

use std::sync::Arc;
use std::time::Duration;

use fitup_store::{Notice, Notices, RunEnd, RunProgress};
use tokio::time::timeout;

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_shop, unencoded};
use crate::runs::new_run;

async fn next(notices: &mut Notices) -> Notice {
    timeout(Duration::from_secs(10), notices.next()).await.expect("a notice within 10 s").expect("the store is open")
}

fn of(run: &str) -> Notice {
    Notice::PlanRun { shop: "shop".into(), run: run.into() }
}

pub async fn every_change_of_a_run_is_told<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let (mut first, mut second) = (store.notices(), store.notices());
    store.create_run(&change(1), "shop", new_run("r"), unencoded()).await.unwrap();
    assert_eq!(next(&mut first).await, of("r"));
    store.claim_run(at(2), "w", at(9)).await.unwrap().unwrap();
    assert_eq!(next(&mut first).await, of("r"));
    store.report_run("shop", "r", "w", at(10), RunProgress::default()).await.unwrap();
    assert_eq!(next(&mut first).await, of("r"));
    store.requeue_expired_runs(&change(11), 9).await.unwrap();
    assert_eq!(next(&mut first).await, of("r"));
    store.claim_run(at(12), "w", at(20)).await.unwrap().unwrap();
    store.create_run(&change(13), "shop", new_run("other"), unencoded()).await.unwrap();
    let end = RunEnd::Succeeded { plan: "p".into(), timetable: Box::new(empty_timetable()) };
    store.finish_run(&change(14), "shop", "r", "w", RunProgress::default(), end).await.unwrap();
    store.cancel_run(&change(15), "shop", "other", unencoded()).await.unwrap();
    for notice in [of("r"), of("other"), of("r"), of("other")] {
        let mut told = next(&mut first).await;
        // A change in several statements is told by each row that it writes; the database joins equal ones.
        while told != notice {
            told = next(&mut first).await;
        }
    }
    assert_eq!(next(&mut second).await, of("r"), "to all who listen, each from where it is");

    let lost = store.report_run("shop", "r", "w", at(30), RunProgress::default()).await;
    lost.unwrap_err();
    assert!(timeout(Duration::from_millis(200), first.next()).await.is_err(), "nothing happened");
    drop(first);
    let weak = Arc::downgrade(&store);
    drop(store);
    assert!(weak.upgrade().is_none());
}
