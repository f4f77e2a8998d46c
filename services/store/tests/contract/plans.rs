//! Plans and their publication.

use fitup_store::{Error, NewPlan, Page, PlanState};

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_shop, unencoded};
use crate::orders::draft;

pub fn plan(id: &str, shop_revision: i64) -> NewPlan {
    NewPlan { id: id.into(), shop_revision, timetable: empty_timetable() }
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let shop_missing = |error: Error| matches!(error, Error::NotFound { name } if name == "shops/none");
    let plan_missing = |error: Error| matches!(error, Error::NotFound { name } if name == "shops/shop/plans/none");
    assert!(shop_missing(store.save_plan(&change(0), "none", plan("p", 1)).await.unwrap_err()));
    assert!(shop_missing(store.latest_plan("none").await.unwrap_err()));
    assert!(shop_missing(store.list_plans("none", Page { after: None, limit: 1 }).await.unwrap_err()));
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    assert!(plan_missing(store.get_plan("shop", "none").await.unwrap_err()));
    assert!(plan_missing(store.publish_plan(&change(0), "shop", "none", unencoded()).await.unwrap_err()));
    store.save_plan(&change(0), "shop", plan("p", 1)).await.unwrap();
    let again = store.save_plan(&change(0), "shop", plan("p", 1)).await.unwrap_err();
    assert!(matches!(again, Error::AlreadyExists { name } if name == "shops/shop/plans/p"));
    let early = store.save_plan(&change(0), "shop", plan("q", 2)).await.unwrap_err();
    assert!(matches!(early, Error::Constraint { constraint } if constraint == "plan_revision_exists"));
}

pub async fn publishing_supersedes<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    assert_eq!(store.latest_plan("shop").await.unwrap(), None);
    for id in ["p", "q", "r"] {
        store.save_plan(&change(1), "shop", plan(id, 1)).await.unwrap();
    }
    let latest = async || store.latest_plan("shop").await.unwrap().map(|plan| (plan.id, plan.state));
    assert_eq!(latest().await, Some(("r".into(), PlanState::Proposed)));
    for id in ["p", "q"] {
        let published = store.publish_plan(&change(2), "shop", id, unencoded()).await.unwrap().fresh().unwrap();
        assert_eq!(published, store.get_plan("shop", id).await.unwrap());
        assert_eq!(latest().await, Some((id.into(), PlanState::Published)));
    }
    assert_eq!(store.get_plan("shop", "p").await.unwrap().state, PlanState::Superseded);
    let shop = store.get_shop("shop").await.unwrap();
    assert_eq!((shop.published_plan.as_deref(), shop.revision), (Some("q"), 1), "the shop did not change");
    let published = store.snapshot("shop").await.unwrap().published.unwrap();
    assert_eq!(published, store.get_plan("shop", "q").await.unwrap());
    store.publish_plan(&change(3), "shop", "q", unencoded()).await.unwrap();
    store.publish_plan(&change(4), "shop", "p", unencoded()).await.unwrap();
    assert_eq!(latest().await, Some(("p".into(), PlanState::Published)), "back to the one before");
}

pub async fn a_stale_plan_is_not_published<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    store.save_plan(&change(1), "shop", plan("p", 1)).await.unwrap();
    assert!(!store.get_plan("shop", "p").await.unwrap().stale);
    store.create_order(&change(2), "shop", draft("o"), unencoded()).await.unwrap();
    assert!(store.get_plan("shop", "p").await.unwrap().stale);
    let refused = store.publish_plan(&change(3), "shop", "p", unencoded()).await.unwrap_err();
    assert_eq!(refused.to_string(), "\"shops/shop/plans/p\" was made for revision 1 of its shop, which is at 2");
    assert_eq!(store.get_shop("shop").await.unwrap().published_plan, None);
}

pub async fn lists_newest_first<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for (id, seconds) in [("b", 1), ("d", 2), ("a", 2), ("c", 3)] {
        store.save_plan(&change(seconds), "shop", plan(id, 1)).await.unwrap();
    }
    let ids = async |after: Option<&str>, limit| {
        let page = Page { after: after.map(str::to_owned), limit };
        let plans = store.list_plans("shop", page).await.unwrap();
        plans.into_iter().map(|plan| plan.id).collect::<Vec<_>>()
    };
    assert_eq!(ids(None, 10).await, ["c", "d", "a", "b"]);
    assert_eq!(ids(Some("d"), 1).await, ["a"]);
    assert!(ids(Some("b"), 10).await.is_empty());
    assert_eq!(store.get_plan("shop", "c").await.unwrap().create_time, at(3));
}
