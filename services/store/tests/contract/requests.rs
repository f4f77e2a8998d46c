//! Repeats of requests.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use fitup_store::{Answer, Change, Encode, Error};
use tokio::task::JoinSet;

use crate::database::Database;
use crate::facts::{at, change, plain_shop, request, unencoded};
use crate::orders::draft;

fn bytes<T: 'static>(text: &'static str) -> Encode<T> {
    Box::new(move |_| text.as_bytes().to_vec())
}

pub async fn a_repeat_gets_the_first_answer<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let first = store.create_shop(&request(0, 1, 1), plain_shop("shop"), bytes("created")).await.unwrap();
    assert!(matches!(first, Answer::Fresh(shop) if shop.revision == 1));
    let first = store.create_order(&request(0, 2, 1), "shop", draft("o"), bytes("ordered")).await.unwrap();
    assert!(matches!(first, Answer::Fresh(_)));

    // Also after a restart, and after what was answered is no longer true.
    store.close().await;
    let store = database.open().await;
    let repeat = store.create_order(&request(5, 2, 1), "shop", draft("o"), bytes("other")).await.unwrap();
    assert_eq!(repeat, Answer::Repeated(b"ordered".to_vec()));
    store.delete_shop(&request(6, 3, 1), "shop", None, bytes("gone")).await.unwrap();
    let repeat = store.create_shop(&request(7, 1, 1), plain_shop("shop"), bytes("other")).await.unwrap();
    assert_eq!(repeat, Answer::Repeated(b"created".to_vec()));
    let repeat = store.delete_shop(&request(8, 3, 1), "shop", None, bytes("other")).await.unwrap();
    assert_eq!(repeat, Answer::Repeated(b"gone".to_vec()));
    assert!(matches!(store.get_shop("shop").await.unwrap_err(), Error::NotFound { .. }), "a repeat does nothing");

    // An encoding is made only to be kept.
    let calls = Arc::new(AtomicUsize::new(0));
    let counting = |calls: &Arc<AtomicUsize>| -> Encode<fitup_store::ShopRecord> {
        let calls = Arc::clone(calls);
        Box::new(move |_| {
            calls.fetch_add(1, Ordering::SeqCst);
            Vec::new()
        })
    };
    store.create_shop(&change(9), plain_shop("s-1"), counting(&calls)).await.unwrap();
    assert_eq!(calls.load(Ordering::SeqCst), 0);
    store.create_shop(&request(9, 4, 1), plain_shop("s-2"), counting(&calls)).await.unwrap();
    store.create_shop(&request(9, 4, 1), plain_shop("s-2"), counting(&calls)).await.unwrap();
    assert_eq!(calls.load(Ordering::SeqCst), 1);
}

pub async fn a_used_id_is_refused<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let create = async |change: &Change, shop: &str| store.create_shop(change, plain_shop(shop), bytes("x")).await;
    create(&request(0, 1, 1), "a").await.unwrap();
    let reused = create(&request(1, 1, 2), "b").await.unwrap_err();
    assert!(matches!(reused, Error::RequestIdReused { id } if id.as_u128() == 1));
    let mut other_method = request(1, 1, 1);
    other_method.request.as_mut().unwrap().method = "other".into();
    assert!(matches!(create(&other_method, "b").await.unwrap_err(), Error::RequestIdReused { .. }));
    assert!(matches!(store.get_shop("b").await.unwrap_err(), Error::NotFound { .. }));
    let other_actor = Change { actor: "somebody else".into(), ..request(1, 1, 2) };
    assert!(matches!(create(&other_actor, "b").await.unwrap(), Answer::Fresh(_)), "each actor has their own ids");
}

pub async fn old_ones_are_forgotten<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    for (seconds, id, shop) in [(0, 1, "a"), (5, 2, "b"), (9, 3, "c")] {
        store.create_shop(&request(seconds, id, 1), plain_shop(shop), bytes("x")).await.unwrap();
    }
    assert_eq!(store.purge_requests(at(5)).await.unwrap(), 1);
    let again = store.create_shop(&request(10, 1, 1), plain_shop("a"), bytes("x")).await.unwrap_err();
    assert!(matches!(again, Error::AlreadyExists { .. }), "nobody remembers the request");
    let repeat = store.create_shop(&request(10, 2, 1), plain_shop("b"), bytes("x")).await.unwrap();
    assert!(matches!(repeat, Answer::Repeated(_)));
}

pub async fn a_failure_is_not_kept<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let failed = store.create_order(&request(0, 1, 1), "shop", draft("o"), bytes("x")).await.unwrap_err();
    assert!(matches!(failed, Error::NotFound { .. }));
    store.create_shop(&change(1), plain_shop("shop"), unencoded()).await.unwrap();
    let retried = store.create_order(&request(2, 1, 1), "shop", draft("o"), bytes("x")).await.unwrap();
    assert!(matches!(retried, Answer::Fresh(_)));
}

/// The same request twice at once, at two openings: one makes the change, the other gets its answer.
pub async fn a_repeat_waits_for_the_first<D: Database>() {
    let database = D::fresh();
    let stores = [database.open().await, database.open().await];
    for round in 0..10_u128 {
        let mut senders = JoinSet::new();
        for store in &stores {
            let store = Arc::clone(store);
            let shop = plain_shop(&format!("shop-{round}"));
            senders.spawn(async move { store.create_shop(&request(0, round, 1), shop, bytes("made")).await.unwrap() });
        }
        let answers = senders.join_all().await;
        let repeated = answers.iter().filter(|answer| **answer == Answer::Repeated(b"made".to_vec())).count();
        assert_eq!(repeated, 1, "{answers:?}");
    }
}
