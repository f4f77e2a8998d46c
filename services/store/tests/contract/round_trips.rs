//! What is stored is what is read: generated facts through the database and back, also from a second opening.

use fitup_model::{OrderFacts, ShopFacts, Timetable};
use fitup_store::{NewPlan, Store};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use tokio::runtime::Handle;
use tokio::task::block_in_place;

use crate::any::{any_order, any_shop, any_timetable};
use crate::database::Database;
use crate::facts::{at, change, plain_order, plain_shop, unencoded};

const CASES: u32 = 64;

/// Calls `check` with generated values, and fails with the smallest that it panics at.
fn for_all<T: std::fmt::Debug>(values: impl Strategy<Value = T>, check: impl Fn(T)) {
    let config = Config { cases: CASES, failure_persistence: None, ..Config::default() };
    let run = TestRunner::new(config).run(&values, |value| {
        check(value);
        Ok(())
    });
    if let Err(failure) = run {
        panic!("{failure}");
    }
}

fn wait<T>(future: impl Future<Output = T>) -> T {
    block_in_place(|| Handle::current().block_on(future))
}

pub async fn shops<D: Database>() {
    let database = D::fresh();
    let (store, second) = (database.open().await, database.open().await);
    for_all((any_shop("shop"), any_shop("shop")), |(first, next): (ShopFacts, ShopFacts)| {
        wait(async {
            store.create_shop(&change(0), first.clone(), unencoded()).await.unwrap();
            assert_eq!(second.get_shop("shop").await.unwrap().facts, first);
            let edit = next.clone();
            store.update_shop(&change(1), "shop", None, Box::new(move |_, _| Ok(edit)), unencoded()).await.unwrap();
            assert_eq!(second.get_shop("shop").await.unwrap().facts, next);
            store.delete_shop(&change(2), "shop", None, unencoded()).await.unwrap();
        });
    });
}

pub async fn orders<D: Database>() {
    let database = D::fresh();
    let (store, second) = (database.open().await, database.open().await);
    for_all((any_order("o-1"), any_order("o-2"), any_order("o-1")), |(one, two, next): (OrderFacts, _, OrderFacts)| {
        wait(async {
            store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
            for order in [one.clone(), two.clone()] {
                store.create_order(&change(1), "shop", Box::new(|_| Ok(order)), unencoded()).await.unwrap();
            }
            assert_eq!(facts(&*second).await, [one.clone(), two.clone()]);
            assert_eq!(second.get_order("shop", "o-1").await.unwrap().facts, one);
            let edit = next.clone();
            let edit = Box::new(move |_: &OrderFacts, _: &ShopFacts| Ok(edit));
            store.update_order(&change(2), "shop", "o-1", None, edit, unencoded()).await.unwrap();
            assert_eq!(facts(&*second).await, [next, two]);
            store.delete_shop(&change(3), "shop", None, unencoded()).await.unwrap();
        });
    });
}

async fn facts(store: &dyn Store) -> Vec<OrderFacts> {
    let page = fitup_store::Page { after: None, limit: 100 };
    let records = store.list_orders("shop", fitup_store::OrderFilter::default(), page).await.unwrap();
    records.into_iter().map(|record| record.facts).collect()
}

pub async fn plans<D: Database>() {
    let database = D::fresh();
    let (store, second) = (database.open().await, database.open().await);
    for_all(any_timetable(&["o-1", "o-2", "o-3"]), |timetable: Timetable| {
        wait(async {
            store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
            for order in ["o-3", "o-2", "o-1"] {
                let draft = Box::new(move |_: &ShopFacts| Ok(plain_order(order)));
                store.create_order(&change(1), "shop", draft, unencoded()).await.unwrap();
            }
            let plan = NewPlan { id: "p".into(), shop_revision: 4, timetable: timetable.clone() };
            let saved = store.save_plan(&change(2), "shop", plan).await.unwrap();
            let read = second.get_plan("shop", "p").await.unwrap();
            assert_eq!(read, saved);
            assert_eq!(read.create_time, at(2));
            assert_eq!(read.timetable, timetable);
            store.delete_shop(&change(3), "shop", None, unencoded()).await.unwrap();
        });
    });
}
