//! Measures a shop of 100 orders with 12 operations each on a real file: how long it takes to load, how many changes a
//! second are acknowledged, and how long a plan for it takes to keep.
//!
//! `cargo bench -p fitup-store`

#![allow(clippy::print_stdout, reason = "its results are printed")]

#[allow(dead_code, reason = "shared with the contract tests")]
#[path = "../tests/contract/facts.rs"]
mod facts;

use std::sync::Arc;
use std::time::{Duration, Instant};

use facts::{at, change, empty_timetable, plain_shop, request, typical_order, unencoded};
use fitup_model::timetable::{OperationState, OperationTimetable, OrderTimetable, VisitTimetable};
use fitup_model::{OrderFacts, Timetable};
use fitup_store::{NewPlan, OrderEdit, SqliteStore, Store};
use tokio::task::JoinSet;

const ORDERS: usize = 100;
const WRITERS: usize = 8;

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("cargo makes it");
    let store: Arc<dyn Store> = Arc::new(SqliteStore::open(folder.path()).await.expect("an empty folder"));
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.expect("new");
    let start = Instant::now();
    for index in 0..ORDERS {
        let facts = typical_order(&format!("order-{index:03}"));
        store.create_order(&change(1), "shop", Box::new(|_| Ok(facts)), unencoded()).await.expect("new");
    }
    println!("create an order of 12 operations:  {:>8.2} ms", millis(start.elapsed()) / ORDERS as f64);

    let snapshot = median(21, async || assert_eq!(store.snapshot("shop").await.expect("there").orders.len(), ORDERS));
    println!("snapshot of {ORDERS} such orders:          {:>8.2} ms", millis(snapshot.await));
    let get = median(201, async || drop(store.get_order("shop", "order-050").await.expect("there")));
    println!("get one order:                     {:>8.2} ms", millis(get.await));

    let start = Instant::now();
    for round in 0..50 {
        let edit: OrderEdit = Box::new(move |order, _| Ok(OrderFacts { note: round.to_string(), ..order.clone() }));
        store.update_order(&change(2), "shop", "order-050", None, edit, unencoded()).await.expect("there");
    }
    println!("update such an order:              {:>8.2} ms", millis(start.elapsed()) / 50.0);

    let start = Instant::now();
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        let store = Arc::clone(&store);
        writers.spawn(async move {
            for round in 0..50_u128 {
                let note = format!("{writer} {round}");
                let edit: OrderEdit = Box::new(|order, _| Ok(OrderFacts { note, ..order.clone() }));
                let change = request(2, 1 + round * WRITERS as u128 + writer as u128, 1);
                let order = format!("order-{writer:03}");
                store.update_order(&change, "shop", &order, None, edit, unencoded()).await.expect("there");
            }
        });
    }
    writers.join_all().await;
    let rate = (WRITERS * 50) as f64 / start.elapsed().as_secs_f64();
    println!("updates by {WRITERS} at once:              {rate:>8.0} a second");

    let revision = store.get_shop("shop").await.expect("there").revision;
    let plan = NewPlan { id: "p".into(), shop_revision: revision, timetable: timetable() };
    let start = Instant::now();
    store.save_plan(&change(3), "shop", plan).await.expect("new");
    println!("save a plan for all orders:        {:>8.2} ms", millis(start.elapsed()));
    let get = median(21, async || drop(store.get_plan("shop", "p").await.expect("there")));
    println!("get that plan:                     {:>8.2} ms", millis(get.await));
}

async fn median(times: usize, step: impl AsyncFn()) -> Duration {
    let mut durations = Vec::with_capacity(times);
    for _ in 0..times {
        let start = Instant::now();
        step().await;
        durations.push(start.elapsed());
    }
    durations.sort_unstable();
    durations[times / 2]
}

fn millis(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1000.0
}

/// Returns a plan with three visits and twelve operations for each order.
fn timetable() -> Timetable {
    let order = |index: usize| {
        let facts = typical_order(&format!("order-{index:03}"));
        let bay = format!("bay-{index}");
        let (start_time, end_time) = (at(60), at(120));
        let operation = |operation: &fitup_model::order::OrderOperation| OperationTimetable {
            operation: operation.id.clone(),
            display_name: operation.id.clone(),
            state: OperationState::Planned,
            visit: operation.visit.clone(),
            bay: Some(bay.clone()),
            start_time,
            end_time,
            technicians: vec!["ada".into()],
            overtime: false,
        };
        let visit = |(number, visit): (i64, &fitup_model::order::OrderVisit)| VisitTimetable {
            visit: visit.id.clone(),
            bay: bay.clone(),
            loose_parts: false,
            start_time: at(60 * number),
            end_time: at(60 * number + 60),
        };
        OrderTimetable {
            order: facts.id.clone(),
            vehicle: facts.vehicle.clone(),
            arrival_time: facts.arrival_time,
            promise_time: None,
            completion_time: end_time,
            visits: (0..).zip(&facts.visits).map(visit).collect(),
            operations: facts.operations.iter().map(operation).collect(),
            delays: Vec::new(),
        }
    };
    Timetable { orders: (0..ORDERS).map(order).collect(), ..empty_timetable() }
}
