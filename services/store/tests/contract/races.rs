//! Several at once, from two openings of one database.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use fitup_model::OrderFacts;
use fitup_store::{Error, OrderEdit, PlanState};
use tokio::task::JoinSet;

use crate::database::Database;
use crate::facts::{at, change, plain_shop, unencoded};
use crate::orders::draft;
use crate::plans::plan;
use crate::runs::new_run;

const WRITERS: usize = 6;
const CHANGES: usize = 12;

/// Workers at two openings take runs of many shops while those change; each run is had by one.
pub async fn runs_are_claimed_once<D: Database>() {
    let database = D::fresh();
    let stores = [database.open().await, database.open().await];
    let shops: Vec<_> = (0..12).map(|index| format!("shop-{index}")).collect();
    for shop in &shops {
        stores[0].create_shop(&change(0), plain_shop(shop), unencoded()).await.unwrap();
        stores[0].create_run(&change(1), shop, new_run("r"), unencoded()).await.unwrap();
    }
    let mut workers = JoinSet::new();
    let taken = Arc::new(AtomicUsize::new(0));
    for worker in 0..4 {
        let (store, taken, wanted) = (Arc::clone(&stores[worker % 2]), Arc::clone(&taken), shops.len());
        workers.spawn(async move {
            let mut claimed = Vec::new();
            while taken.load(Ordering::SeqCst) < wanted {
                if let Some(run) = store.claim_run(at(2), &format!("w-{worker}"), at(60)).await.unwrap() {
                    assert_eq!(run.run.shop_revision, run.snapshot.shop.revision);
                    assert_eq!(run.snapshot.orders.len() as i64, run.snapshot.shop.revision - 1);
                    taken.fetch_add(1, Ordering::SeqCst);
                    claimed.push(run.snapshot.shop.facts.id);
                }
            }
            claimed
        });
    }
    for order in 0..3 {
        for shop in &shops {
            stores[1].create_order(&change(2), shop, draft(&format!("o-{order}")), unencoded()).await.unwrap();
        }
    }
    let mut claimed: Vec<_> = workers.join_all().await.into_iter().flatten().collect();
    claimed.sort();
    let mut expected = shops.clone();
    expected.sort();
    assert_eq!(claimed, expected);
}

/// Each writer adds to the note of one order; no change may be lost.
pub async fn writers_make_a_strict_sequence<D: Database>() {
    let database = D::fresh();
    let stores = [database.open().await, database.open().await];
    stores[0].create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    stores[0].create_order(&change(0), "shop", draft("o"), unencoded()).await.unwrap();
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        let store = Arc::clone(&stores[writer % 2]);
        writers.spawn(async move {
            for _ in 0..CHANGES {
                let append: OrderEdit =
                    Box::new(|order, _| Ok(OrderFacts { note: format!("{}x", order.note), ..order.clone() }));
                store.update_order(&change(1), "shop", "o", None, append, unencoded()).await.unwrap();
            }
        });
    }
    writers.join_all().await;
    let changes = (WRITERS * CHANGES) as i64;
    assert_eq!(stores[0].get_order("shop", "o").await.unwrap().facts.note.len() as i64, changes);
    assert_eq!(stores[1].get_shop("shop").await.unwrap().revision, 2 + changes);
    let entries = stores[0].list_audit("shop", 0, 1000).await.unwrap();
    let revisions: Vec<_> = entries.iter().map(|entry| (entry.revision_before, entry.revision_after)).collect();
    assert_eq!(revisions, (0..2 + changes).map(|revision| (revision, revision + 1)).collect::<Vec<_>>());
}

pub async fn one_of_two_editors_wins<D: Database>() {
    let database = D::fresh();
    let stores = [database.open().await, database.open().await];
    stores[0].create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    stores[0].create_order(&change(0), "shop", draft("o"), unencoded()).await.unwrap();
    for round in 0..10 {
        let etag = stores[0].get_order("shop", "o").await.unwrap().etag;
        let mut editors = JoinSet::new();
        for (editor, store) in stores.iter().enumerate() {
            let (store, etag) = (Arc::clone(store), etag.clone());
            editors.spawn(async move {
                let note = format!("{editor} in {round}");
                let edit: OrderEdit = Box::new(move |order, _| Ok(OrderFacts { note, ..order.clone() }));
                store.update_order(&change(1), "shop", "o", Some(&etag), edit, unencoded()).await
            });
        }
        let (won, lost): (Vec<_>, Vec<_>) = editors.join_all().await.into_iter().partition(Result::is_ok);
        assert_eq!((won.len(), lost.len()), (1, 1));
        assert!(matches!(lost[0], Err(Error::EtagMismatch { .. })));
    }
}

pub async fn one_plan_is_published<D: Database>() {
    let database = D::fresh();
    let stores = [database.open().await, database.open().await];
    stores[0].create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let ids: Vec<_> = (0..8).map(|index| format!("p-{index}")).collect();
    for id in &ids {
        stores[0].save_plan(&change(1), "shop", plan(id, 1)).await.unwrap();
    }
    let mut publishers = JoinSet::new();
    for (index, id) in ids.iter().enumerate() {
        let (store, id) = (Arc::clone(&stores[index % 2]), id.clone());
        publishers.spawn(async move { store.publish_plan(&change(2), "shop", &id, unencoded()).await.unwrap() });
    }
    publishers.join_all().await;
    let mut states = Vec::new();
    for id in &ids {
        states.push(stores[1].get_plan("shop", id).await.unwrap().state);
    }
    assert_eq!(states.iter().filter(|state| **state == PlanState::Published).count(), 1);
    assert_eq!(states.iter().filter(|state| **state == PlanState::Superseded).count(), 7);
}

/// A reader sees a whole number of changes: as many orders as the revision says.
pub async fn reads_while_writing<D: Database>() {
    let database = D::fresh();
    let (store, reader) = (database.open().await, database.open().await);
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let done = Arc::new(AtomicBool::new(false));
    let reading = tokio::spawn({
        let (reader, done) = (Arc::clone(&reader), Arc::clone(&done));
        async move {
            let (mut reads, mut last) = (0, 0);
            while !done.load(Ordering::SeqCst) {
                let snapshot = reader.snapshot("shop").await.unwrap();
                assert_eq!(snapshot.orders.len() as i64, snapshot.shop.revision - 1);
                assert!(snapshot.shop.revision >= last, "never back in time");
                (reads, last) = (reads + 1, snapshot.shop.revision);
            }
            reads
        }
    });
    for index in 0..40 {
        store.create_order(&change(1), "shop", draft(&format!("o-{index}")), unencoded()).await.unwrap();
    }
    done.store(true, Ordering::SeqCst);
    assert!(reading.await.unwrap() > 0);
    assert_eq!(reader.snapshot("shop").await.unwrap().orders.len(), 40);
}
