//! The database stopped and started again under load, and two servers racing for one shop. Skipped, and said so, where
//! there is no PostgreSQL to test with. `FITUP_TEST_RACE_SECONDS=60` makes the race a longer one.

#[allow(dead_code, reason = "other tests share one cluster")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::history_service_client::HistoryServiceClient;
use fitup_proto::v1::plan_run::State;
use fitup_tests::monitor::{free_address, get};
use fitup_tests::server::{TestServer, small_order, small_shop};
use tokio::time::sleep;
use tonic::{Code, Status};
use tonic_types::StatusExt;
use uuid::Uuid;

const WRITERS: usize = 4;
/// With fewer changes it was no race.
const RACE_CHANGES: usize = 100;
/// Keeps the load bounded.
const PAUSE: Duration = Duration::from_millis(5);
/// A change that nobody takes for so long fails the test.
const PATIENCE: Duration = Duration::from_secs(30);

async fn server(database: &str) -> TestServer {
    let database = database.to_owned();
    TestServer::start_with(move |config| config.database = Some(database)).await
}

/// Changes the note of an order and repeats what was not taken, under the same request id.
async fn change(
    server: &TestServer,
    order: &str,
    note: &str,
    wait_for: impl Fn(&Status) -> bool,
) -> (v1::Order, Vec<Status>) {
    let order = v1::Order { name: format!("shops/main/orders/{order}"), note: note.into(), ..Default::default() };
    let request = v1::UpdateOrderRequest {
        order: Some(order),
        update_mask: Some(prost_types::FieldMask { paths: vec!["note".into()] }),
        request_id: Uuid::new_v4().to_string(),
        ..Default::default()
    };
    let (asked, mut refusals) = (Instant::now(), Vec::new());
    loop {
        match server.orders().update_order(request.clone()).await {
            Ok(order) => return (order.into_inner(), refusals),
            Err(refused) => {
                assert!(wait_for(&refused) && asked.elapsed() < PATIENCE, "{refused:?}");
                refusals.push(refused);
                sleep(PAUSE).await;
            }
        }
    }
}

async fn history(server: &TestServer) -> Vec<v1::HistoryEntry> {
    let mut request = v1::ListHistoryRequest { parent: "shops/main".into(), page_size: 500, ..Default::default() };
    let mut entries = Vec::new();
    loop {
        let page =
            HistoryServiceClient::new(server.channel()).list_history(request.clone()).await.unwrap().into_inner();
        entries.extend(page.entries);
        if page.next_page_token.is_empty() {
            return entries;
        }
        request.page_token = page.next_page_token;
    }
}

/// Asserts that the entries, the last first, are numbered in order (PostgreSQL may leave numbers out after a crash), and
/// that the shop went from revision to revision without a gap.
#[track_caller]
fn assert_one_sequence(entries: &[v1::HistoryEntry]) {
    let (mut last, mut revision) = (0, 0);
    for entry in entries.iter().rev() {
        let number: i64 = entry.name.rsplit('/').next().unwrap().parse().unwrap();
        assert!(number > last, "{number} after {last}");
        assert_eq!(entry.revision_before, revision, "{} {}", entry.action, entry.resource);
        (last, revision) = (number, entry.revision_after);
    }
}

/// Goal: an outage is UNAVAILABLE with a hint when to come back, loses nothing that was acknowledged, and is over without
/// a restart. Method: writers and a plan run while PostgreSQL crashes, twice, and comes back after a second.
#[tokio::test(flavor = "multi_thread")]
async fn an_outage_of_the_database_is_over_when_it_is_back() {
    let Some(cluster) = cluster::Cluster::start_new() else { return };
    let cluster = Arc::new(cluster);
    let (database, monitor) = (cluster.url("fitup", "postgres"), free_address().await);
    let server = TestServer::start_with(move |config| {
        config.database = Some(database);
        config.monitor = Some(monitor);
    });
    let (server, monitor) = (Arc::new(server.await), monitor.to_string());
    server.create_shop("main", small_shop()).await;
    for writer in 0..WRITERS {
        server.create_order(&format!("o-{writer}"), small_order()).await;
    }
    let run = server.create_run(3).await;
    let over = Arc::new(AtomicBool::new(false));
    let writers: Vec<_> = (0..WRITERS)
        .map(|writer| {
            let (server, over) = (Arc::clone(&server), Arc::clone(&over));
            tokio::spawn(async move {
                let (mut acknowledged, mut refusals) = (0, Vec::new());
                while !over.load(Ordering::SeqCst) {
                    let note = (acknowledged + 1).to_string();
                    let is_away = |refused: &Status| refused.code() == Code::Unavailable;
                    let (order, refused) = change(&server, &format!("o-{writer}"), &note, is_away).await;
                    assert_eq!(order.note, note);
                    refusals.extend(refused);
                    acknowledged += 1;
                    sleep(PAUSE).await;
                }
                (acknowledged, refusals)
            })
        })
        .collect();
    for _ in 0..2 {
        sleep(Duration::from_millis(700)).await;
        let stopping = Arc::clone(&cluster);
        tokio::task::spawn_blocking(move || stopping.stop("QUIT")).await.unwrap();
        let mut reading = server.orders();
        let request = v1::GetOrderRequest { name: "shops/main/orders/o-0".into() };
        let refused = reading.get_order(request).await.unwrap_err();
        assert_eq!(refused.code(), Code::Unavailable, "{refused:?}");
        assert!(get(&monitor, "/ready").await.0.starts_with("HTTP/1.1 503"));
        assert!(get(&monitor, "/live").await.0.starts_with("HTTP/1.1 200"));
        sleep(Duration::from_secs(1)).await;
        let starting = Arc::clone(&cluster);
        tokio::task::spawn_blocking(move || starting.start()).await.unwrap();
    }
    sleep(Duration::from_millis(700)).await;
    over.store(true, Ordering::SeqCst);
    let mut outages = 0;
    for (writer, task) in writers.into_iter().enumerate() {
        let (acknowledged, refusals) = task.await.unwrap();
        for refused in &refusals {
            let details = refused.get_error_details();
            let retry = details.retry_info().and_then(|retry| retry.retry_delay);
            assert!(retry.is_some_and(|delay| delay > Duration::ZERO), "no hint when to come back: {refused:?}");
        }
        outages += usize::from(!refusals.is_empty());
        let request = v1::GetOrderRequest { name: format!("shops/main/orders/o-{writer}") };
        let order = server.orders().get_order(request).await.unwrap().into_inner();
        assert_eq!(order.note, acknowledged.to_string());
    }
    assert_eq!(outages, WRITERS, "every writer has seen an outage");
    assert!(get(&monitor, "/ready").await.0.starts_with("HTTP/1.1 200"));
    // The plan run has come to an end, whatever its server went through.
    let ended = Instant::now();
    loop {
        let request = v1::GetPlanRunRequest { name: run.name.clone() };
        let run = server.plans().get_plan_run(request).await.unwrap().into_inner();
        if matches!(run.state(), State::Succeeded | State::Failed) {
            break;
        }
        assert!(ended.elapsed() < PATIENCE, "{run:?}");
        sleep(Duration::from_millis(100)).await;
    }
    // Each change is there once: revisions and sequence have no gaps.
    let entries = history(&server).await;
    assert_one_sequence(&entries);
    Arc::into_inner(server).unwrap().stop().await.unwrap();
}

/// Goal: two servers that race for one shop make one strict sequence of revisions. Method: writers at both change the
/// same orders; whoever comes too late gets ABORTED and repeats; then the audit trail.
#[tokio::test(flavor = "multi_thread")]
async fn racing_servers_make_one_sequence() {
    let Some(cluster) = cluster::Cluster::start_new() else { return };
    let seconds = std::env::var("FITUP_TEST_RACE_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(3);
    let database = cluster.url("fitup", "postgres");
    let servers = [Arc::new(server(&database).await), Arc::new(server(&database).await)];
    servers[0].create_shop("main", small_shop()).await;
    for order in ["o-0", "o-1"] {
        servers[0].create_order(order, small_order()).await;
    }
    let started = Instant::now();
    // A busy machine races for longer.
    let acknowledged = Arc::new(AtomicUsize::new(0));
    let writers: Vec<_> = (0..2 * WRITERS)
        .map(|writer| {
            let (server, acknowledged) = (Arc::clone(&servers[writer % 2]), Arc::clone(&acknowledged));
            tokio::spawn(async move {
                let mut changes = 0;
                let is_short = || acknowledged.load(Ordering::SeqCst) <= RACE_CHANGES && started.elapsed() < PATIENCE;
                while started.elapsed() < Duration::from_secs(seconds) || is_short() {
                    let note = format!("{writer} {changes}");
                    let lost = |refused: &Status| refused.code() == Code::Aborted;
                    change(&server, &format!("o-{}", writer / 2 % 2), &note, lost).await;
                    changes += 1;
                    acknowledged.fetch_add(1, Ordering::SeqCst);
                }
                changes
            })
        })
        .collect();
    let mut changes = 0;
    for writer in writers {
        changes += writer.await.unwrap();
    }
    let entries = history(&servers[1]).await;
    assert_one_sequence(&entries);
    let updates = entries.iter().filter(|entry| entry.action == "update").count();
    assert_eq!(updates, changes, "acknowledged changes, each once");
    assert!(changes > RACE_CHANGES, "a race of {changes} changes is none");
    for server in servers {
        Arc::into_inner(server).unwrap().stop().await.unwrap();
    }
}
