//! Repair orders.

use fitup_model::order::Progress;
use fitup_model::{Fault, OrderFacts, OrderState, ShopFacts};
use fitup_store::{Error, OrderDraft, OrderEdit, OrderFilter, Page, Refusal};

use crate::database::Database;
use crate::facts::{at, change, plain_order, plain_shop, typical_order, unencoded};

pub fn draft(id: &str) -> OrderDraft {
    let facts = plain_order(id);
    Box::new(move |_| Ok(facts))
}

fn note(text: &'static str) -> OrderEdit {
    Box::new(move |order: &OrderFacts, _: &ShopFacts| Ok(OrderFacts { note: text.into(), ..order.clone() }))
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let shop_missing = |error: Error| matches!(error, Error::NotFound { name } if name == "shops/none");
    let order_missing = |error: Error| matches!(error, Error::NotFound { name } if name == "shops/shop/orders/none");
    let page = || Page { after: None, limit: 10 };
    assert!(shop_missing(store.create_order(&change(0), "none", draft("o"), unencoded()).await.unwrap_err()));
    assert!(shop_missing(store.list_orders("none", OrderFilter::default(), page()).await.unwrap_err()));
    assert!(shop_missing(store.snapshot("none").await.unwrap_err()));

    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let update = store.update_order(&change(0), "shop", "none", None, note("x"), unencoded()).await;
    assert!(order_missing(store.get_order("shop", "none").await.unwrap_err()));
    assert!(order_missing(update.unwrap_err()));

    store.create_order(&change(1), "shop", draft("o"), unencoded()).await.unwrap();
    let before = (store.get_shop("shop").await.unwrap(), store.get_order("shop", "o").await.unwrap());
    let again = store.create_order(&change(2), "shop", draft("o"), unencoded()).await.unwrap_err();
    assert!(matches!(again, Error::AlreadyExists { name } if name == "shops/shop/orders/o"));
    let stale = store.update_order(&change(2), "shop", "o", Some("other"), note("x"), unencoded()).await.unwrap_err();
    assert!(matches!(stale, Error::EtagMismatch { name } if name == "shops/shop/orders/o"));
    let fault = Fault { path: "vehicle".into(), message: "is missing".into() };
    let refusal = Refusal::from(vec![fault.clone()]);
    let refused = store.create_order(&change(2), "shop", Box::new(|_| Err(refusal)), unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::Faults(faults) if faults == [fault]));
    let renamed: OrderEdit = Box::new(|_, _| Ok(plain_order("other")));
    let refused = store.update_order(&change(2), "shop", "o", None, renamed, unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::Forbidden { .. }));
    let after = (store.get_shop("shop").await.unwrap(), store.get_order("shop", "o").await.unwrap());
    assert_eq!(after, before, "errors change nothing");
}

pub async fn a_change_counts<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let shop = store.get_shop("shop").await.unwrap();
    let created = store.create_order(&change(1), "shop", draft("o"), unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!((created.create_time, created.update_time), (at(1), at(1)));
    let etag = Some(created.etag.as_str());
    let changed = store.update_order(&change(2), "shop", "o", etag, note("x"), unencoded()).await.unwrap();
    let changed = changed.fresh().unwrap();
    assert_eq!((changed.create_time, changed.update_time), (at(1), at(2)));
    assert_ne!(changed.etag, created.etag);
    let same = store.update_order(&change(3), "shop", "o", None, note("x"), unencoded()).await.unwrap();
    assert_eq!(same.fresh().unwrap(), changed, "what changes nothing is no change");
    let after = store.get_shop("shop").await.unwrap();
    assert_eq!(after.revision, 3, "one for the shop, one for each change of the order");
    assert_eq!((after.etag, after.update_time), (shop.etag, shop.update_time), "the shop itself did not change");
}

pub async fn lists_by_state_and_page<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for id in ["a-open", "b-complete", "c-cancelled", "d-open", "e-complete"] {
        let mut facts = typical_order(id);
        facts.cancelled = id.ends_with("cancelled");
        if id.ends_with("complete") {
            let done = Progress::Done { start_time: at(0), end_time: at(1), technicians: Vec::new() };
            facts.operations.iter_mut().for_each(|operation| operation.progress = done.clone());
        }
        store.create_order(&change(1), "shop", Box::new(|_| Ok(facts)), unencoded()).await.unwrap();
    }
    let ids = async |states: &[OrderState], after: Option<&str>, limit| {
        let page = Page { after: after.map(str::to_owned), limit };
        let orders = store.list_orders("shop", OrderFilter { states: states.to_vec() }, page).await.unwrap();
        assert!(orders.iter().all(|order| order.facts.operations.len() == 12));
        orders.into_iter().map(|order| order.facts.id).collect::<Vec<_>>()
    };
    use OrderState::{Cancelled, Complete, Open};
    assert_eq!(ids(&[], None, 10).await, ["a-open", "b-complete", "c-cancelled", "d-open", "e-complete"]);
    assert_eq!(ids(&[Open], None, 10).await, ["a-open", "d-open"]);
    assert_eq!(ids(&[Complete], Some("b-complete"), 10).await, ["e-complete"]);
    assert_eq!(ids(&[Complete, Cancelled], None, 2).await, ["b-complete", "c-cancelled"]);
    assert_eq!(ids(&[], Some("b-complete"), 2).await, ["c-cancelled", "d-open"]);
}

pub async fn a_snapshot_holds_open_orders<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for id in ["o-2", "o-1", "o-3"] {
        store.create_order(&change(1), "shop", draft(id), unencoded()).await.unwrap();
    }
    let cancel: OrderEdit = Box::new(|order, _| Ok(OrderFacts { cancelled: true, ..order.clone() }));
    store.update_order(&change(2), "shop", "o-2", None, cancel, unencoded()).await.unwrap();
    let snapshot = store.snapshot("shop").await.unwrap();
    assert_eq!(snapshot.shop.revision, 5);
    assert_eq!(snapshot.orders.iter().map(|order| order.facts.id.as_str()).collect::<Vec<_>>(), ["o-1", "o-3"]);
    assert_eq!(snapshot.published, None);
}
