//! Shops.

use fitup_model::{Fault, OrderFacts, ShopFacts};
use fitup_store::{Error, Page, Refusal, ShopEdit};

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_order, plain_shop, unencoded};

fn rename(to: &'static str) -> ShopEdit {
    Box::new(move |shop: &ShopFacts, _: &[OrderFacts]| Ok(ShopFacts { display_name: to.into(), ..shop.clone() }))
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let missing = "shops/none";
    let is_missing = |error: Error| matches!(error, Error::NotFound { name } if name == missing);
    assert!(is_missing(store.get_shop("none").await.unwrap_err()));
    assert!(is_missing(store.update_shop(&change(0), "none", None, rename("x"), unencoded()).await.unwrap_err()));
    assert!(is_missing(store.delete_shop(&change(0), "none", None, unencoded()).await.unwrap_err()));

    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let before = store.get_shop("shop").await.unwrap();
    let again = store.create_shop(&change(1), plain_shop("shop"), unencoded()).await.unwrap_err();
    assert!(matches!(again, Error::AlreadyExists { name } if name == "shops/shop"));
    let stale = store.update_shop(&change(1), "shop", Some("other"), rename("x"), unencoded()).await.unwrap_err();
    assert!(matches!(stale, Error::EtagMismatch { name } if name == "shops/shop"));
    let stale = store.delete_shop(&change(1), "shop", Some("other"), unencoded()).await.unwrap_err();
    assert!(matches!(stale, Error::EtagMismatch { .. }));

    let fault = Fault { path: "bays".into(), message: "are missing".into() };
    let refusal = Refusal::from(vec![fault.clone()]);
    let refused =
        store.update_shop(&change(1), "shop", None, Box::new(|_, _| Err(refusal)), unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::Faults(faults) if faults == [fault]));
    let refusal = Refusal::Forbidden("shop \"shop\" is closed".into());
    let refused =
        store.update_shop(&change(1), "shop", None, Box::new(|_, _| Err(refusal)), unencoded()).await.unwrap_err();
    assert_eq!(refused.to_string(), "shop \"shop\" is closed");
    let renamed = Box::new(|_: &ShopFacts, _: &[OrderFacts]| Ok(plain_shop("other")));
    let refused = store.update_shop(&change(1), "shop", None, renamed, unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::Forbidden { .. }));
    assert_eq!(store.get_shop("shop").await.unwrap(), before, "errors change nothing");
}

pub async fn a_change_counts<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let created = store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!((created.revision, created.create_time, created.update_time), (1, at(0), at(0)));
    let etag = Some(created.etag.as_str());
    let changed = store.update_shop(&change(5), "shop", etag, rename("New"), unencoded()).await.unwrap();
    let changed = changed.fresh().unwrap();
    assert_eq!(changed.facts.display_name, "New");
    assert_eq!((changed.revision, changed.create_time, changed.update_time), (2, at(0), at(5)));
    assert_ne!(changed.etag, created.etag);
    assert_eq!(store.get_shop("shop").await.unwrap(), changed);

    let same = store.update_shop(&change(6), "shop", None, rename("New"), unencoded()).await.unwrap();
    assert_eq!(same.fresh().unwrap(), changed, "what changes nothing is no change");

    store.delete_shop(&change(7), "shop", Some(&changed.etag), unencoded()).await.unwrap();
    store.create_shop(&change(8), plain_shop("shop"), unencoded()).await.unwrap();
    let stale = store.update_shop(&change(9), "shop", Some(&created.etag), rename("x"), unencoded()).await;
    assert!(matches!(stale.unwrap_err(), Error::EtagMismatch { .. }), "another shop of the same name");
}

pub async fn an_edit_sees_open_orders<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for (id, cancelled) in [("open", false), ("gone", true)] {
        let draft = Box::new(move |_: &ShopFacts| Ok(OrderFacts { cancelled, ..plain_order(id) }));
        store.create_order(&change(1), "shop", draft, unencoded()).await.unwrap();
    }
    let edit = Box::new(|shop: &ShopFacts, orders: &[OrderFacts]| {
        let display_name = orders.iter().map(|order| order.id.as_str()).collect();
        Ok(ShopFacts { display_name, ..shop.clone() })
    });
    let changed = store.update_shop(&change(2), "shop", None, edit, unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!(changed.facts.display_name, "open");
}

pub async fn lists_page_by_id<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    for id in ["c", "a", "b-2", "b"] {
        store.create_shop(&change(0), plain_shop(id), unencoded()).await.unwrap();
    }
    let ids = async |after: Option<&str>, limit| {
        let page = Page { after: after.map(str::to_owned), limit };
        let shops = store.list_shops(page).await.unwrap();
        shops.into_iter().map(|shop| shop.facts.id).collect::<Vec<_>>()
    };
    assert_eq!(ids(None, 3).await, ["a", "b", "b-2"]);
    assert_eq!(ids(Some("b-2"), 3).await, ["c"]);
    assert!(ids(Some("c"), 3).await.is_empty());
    assert_eq!(ids(Some("aa"), 1).await, ["b"], "the id need not exist");
}

pub async fn a_deleted_shop_takes_all_with_it<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    store.create_order(&change(1), "shop", Box::new(|_| Ok(plain_order("o"))), unencoded()).await.unwrap();
    let plan = fitup_store::NewPlan { id: "p".into(), shop_revision: 2, timetable: empty_timetable() };
    store.save_plan(&change(2), "shop", plan).await.unwrap();
    store.publish_plan(&change(3), "shop", "p", unencoded()).await.unwrap();
    store.delete_shop(&change(4), "shop", None, unencoded()).await.unwrap();
    store.create_shop(&change(5), plain_shop("shop"), unencoded()).await.unwrap();
    let page = || Page { after: None, limit: 10 };
    assert!(store.list_orders("shop", Default::default(), page()).await.unwrap().is_empty());
    assert!(store.list_plans("shop", page()).await.unwrap().is_empty());
    assert_eq!(store.get_shop("shop").await.unwrap().published_plan, None);
}
