//! Measures a shop of 100 orders with 12 operations each, on a real file and, if its address is given, on PostgreSQL:
//! how long it takes to load, how many changes a second are acknowledged, and how long a plan for it takes to keep.
//!
//! `cargo bench -p fitup-store`, or with `-- postgres://...`, an empty database

#![allow(clippy::print_stdout, reason = "its results are printed")]

#[allow(dead_code, reason = "shared with the contract tests")]
#[path = "../tests/contract/facts.rs"]
mod facts;

use std::sync::Arc;
use std::time::{Duration, Instant};

use facts::{at, change, empty_timetable, plain_shop, request, typical_order, unencoded};
use fitup_model::timetable::{OperationState, OperationTimetable, OrderTimetable, VisitTimetable};
use fitup_model::{OrderFacts, Timetable};
use fitup_store::{NewPlan, OrderEdit, Store};
use tokio::task::JoinSet;

const ORDERS: usize = 100;
const WRITERS: usize = 8;

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("cargo makes it");
    measure("SQLite", fitup_store::open(&folder.path().display().to_string()).await.expect("an empty folder")).await;
    if let Some(url) = std::env::args().find(|argument| argument.starts_with("postgres")) {
        measure("PostgreSQL", fitup_store::open(&url).await.expect("an empty database")).await;
    }
}

async fn measure(database: &str, store: Arc<dyn Store>) {
    println!("{database}");
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

    for writers in [1, WRITERS] {
        let rate = updates(&store, writers, Where::OneShop).await;
        println!("updates by {writers} at once:              {rate:>8.0} a second");
    }
    for writer in 0..WRITERS {
        let shop = format!("shop-{writer}");
        store.create_shop(&change(0), plain_shop(&shop), unencoded()).await.expect("new");
        let facts = typical_order("order-000");
        store.create_order(&change(1), &shop, Box::new(|_| Ok(facts)), unencoded()).await.expect("new");
    }
    let rate = updates(&store, WRITERS, Where::OwnShops).await;
    println!("the same, each in a shop:          {rate:>8.0} a second");

    let revision = store.get_shop("shop").await.expect("there").revision;
    let plan = NewPlan { id: "p".into(), shop_revision: revision, timetable: timetable() };
    let start = Instant::now();
    store.save_plan(&change(3), "shop", plan).await.expect("new");
    println!("save a plan for all orders:        {:>8.2} ms", millis(start.elapsed()));
    let get = median(21, async || drop(store.get_plan("shop", "p").await.expect("there")));
    println!("get that plan:                     {:>8.2} ms", millis(get.await));
}

/// Where each writer has its order.
#[derive(Clone, Copy)]
enum Where {
    OneShop,
    OwnShops,
}

/// Returns how many updates a second are acknowledged to so many writers. Each is a request that may be repeated.
async fn updates(store: &Arc<dyn Store>, writers: usize, place: Where) -> f64 {
    const ROUNDS: usize = 50;
    let start = Instant::now();
    let mut tasks = JoinSet::new();
    for writer in 0..writers {
        let store = Arc::clone(store);
        let (shop, order) = match place {
            Where::OneShop => ("shop".to_owned(), format!("order-{writer:03}")),
            Where::OwnShops => (format!("shop-{writer}"), "order-000".to_owned()),
        };
        tasks.spawn(async move {
            for round in 0..ROUNDS {
                let note = format!("{writer} {round} {writers}");
                let edit: OrderEdit = Box::new(|order, _| Ok(OrderFacts { note, ..order.clone() }));
                let change = request(2, uuid::Uuid::new_v4().as_u128(), 1);
                store.update_order(&change, &shop, &order, None, edit, unencoded()).await.expect("there");
            }
        });
    }
    tasks.join_all().await;
    (writers * ROUNDS) as f64 / start.elapsed().as_secs_f64()
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
            held_until: None,
        }
    };
    Timetable { orders: (0..ORDERS).map(order).collect(), ..empty_timetable() }
}
