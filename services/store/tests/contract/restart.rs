//! PostgreSQL stops and comes back while it is used: what is asked meanwhile is told to come again later, nothing that
//! was acknowledged is lost, and nobody has to open anything anew.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use fitup_model::OrderFacts;
use fitup_store::{Error, Notice, OrderEdit, PostgresStore, Store};
use tokio::task::{JoinSet, spawn_blocking};
use tokio::time::{sleep, timeout};

use crate::cluster::Cluster;
use crate::facts::{change, plain_shop, request, unencoded};
use crate::orders::draft;
use crate::runs::new_run;

const WRITERS: usize = 3;

/// Appends a mark to the order of a writer until told to stop, and returns how many were acknowledged. A change that
/// failed is asked for again by the same request.
async fn write(store: Arc<dyn Store>, writer: usize, stop: Arc<AtomicBool>) -> (usize, usize) {
    let order = format!("o-{writer}");
    let (mut acknowledged, mut failures) = (0, 0);
    while !stop.load(Ordering::SeqCst) {
        let id = (1 + acknowledged * WRITERS + writer) as u128;
        loop {
            let edit: OrderEdit =
                Box::new(|order, _| Ok(OrderFacts { note: format!("{}x", order.note), ..order.clone() }));
            match store.update_order(&request(1, id, 1), "shop", &order, None, edit, unencoded()).await {
                Ok(_) => break,
                Err(Error::Unavailable(_)) => failures += 1,
                Err(other) => panic!("{other:?}"),
            }
            sleep(Duration::from_millis(20)).await;
        }
        acknowledged += 1;
    }
    (acknowledged, failures)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postgres_may_stop_under_load() {
    let Some(cluster) = spawn_blocking(Cluster::start_new).await.unwrap() else { return };
    let cluster = Arc::new(cluster);
    let store: Arc<dyn Store> = Arc::new(PostgresStore::open(&cluster.url("fitup", "postgres")).await.unwrap());
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for writer in 0..WRITERS {
        store.create_order(&change(0), "shop", draft(&format!("o-{writer}")), unencoded()).await.unwrap();
    }
    let mut notices = store.notices();
    let stop = Arc::new(AtomicBool::new(false));
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        writers.spawn(write(Arc::clone(&store), writer, Arc::clone(&stop)));
    }
    for signal in ["INT", "QUIT"] {
        sleep(Duration::from_millis(500)).await;
        let server = Arc::clone(&cluster);
        spawn_blocking(move || server.stop(signal)).await.unwrap();
        let asked = timeout(Duration::from_secs(20), store.get_shop("shop")).await.expect("an answer in time");
        assert!(matches!(asked, Err(Error::Unavailable(_))), "{asked:?}");
        let server = Arc::clone(&cluster);
        spawn_blocking(move || server.start()).await.unwrap();
        let recovered = async { while store.ping().await.is_err() {} };
        timeout(Duration::from_secs(20), recovered).await.expect("it comes back by itself");
    }
    sleep(Duration::from_millis(500)).await;
    stop.store(true, Ordering::SeqCst);
    let counts = timeout(Duration::from_secs(60), writers.join_all()).await.expect("all come back");
    let mut all = 0;
    let mut notes = 0;
    for writer in 0..WRITERS {
        notes += store.get_order("shop", &format!("o-{writer}")).await.unwrap().facts.note.len();
    }
    for (acknowledged, failures) in counts {
        assert!(acknowledged > 0 && failures > 0);
        all += acknowledged;
    }
    assert_eq!(notes, all, "every acknowledged change is there, and none twice");
    assert_eq!(store.get_shop("shop").await.unwrap().revision as usize, 1 + WRITERS + all);

    // Those who listen are told to look again, and hear what comes after.
    let missed = async { while notices.next().await != Some(Notice::Missed) {} };
    timeout(Duration::from_secs(10), missed).await.expect("told of the gap");
    store.create_run(&change(9), "shop", new_run("r"), unencoded()).await.unwrap();
    let told = async { while !matches!(notices.next().await, Some(Notice::PlanRun { run, .. }) if run == "r") {} };
    timeout(Duration::from_secs(10), told).await.expect("it listens again");
    store.close().await;
}
