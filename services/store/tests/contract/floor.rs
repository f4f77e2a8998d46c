//! What happens on the floor.

use std::sync::Arc;

use fitup_model::floor::{FloorKind, FloorNote};
use fitup_model::order::Progress;
use fitup_store::{Error, FloorEdit, FloorOutcome, NewPlan, Page, PlanState, Refusal, Store};

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_shop, unencoded};
use crate::orders::draft;

fn note(kind: FloorKind, order: &str) -> FloorNote {
    FloorNote {
        kind,
        event_time: at(5),
        order: Some(order.into()),
        operation: Some("straighten".into()),
        subject: None,
        technicians: vec!["ada".into(), "ben".into()],
        bay: Some("lift-1".into()),
        start_time: Some(at(1)),
        end_time: None,
        planned_end_time: Some(at(9)),
        booked_minutes: Some(60),
        count: None,
        measurement: "2 mm".into(),
        reason: "late".into(),
        added: vec!["straighten-2".into()],
    }
}

/// Returns an event that pauses the first operation of an order, or with `None` changes nothing.
fn pausing(order: &'static str, pause: Option<i64>) -> FloorEdit {
    Box::new(move |_, orders, _| {
        let mut facts = orders.iter().find(|facts| facts.id == order).expect("is there").clone();
        if let Some(second) = pause {
            facts.operations[0].progress = Progress::Paused {
                start_time: at(0),
                pause_time: at(second),
                technicians: vec!["ada".into()],
                remaining_minutes: 7,
                reason: "clips".into(),
            };
        }
        Ok(FloorOutcome { shop: None, order: Some(facts), note: note(FloorKind::Pause, order) })
    })
}

async fn filled<D: Database>(database: &D) -> Arc<dyn Store> {
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    for order in ["a", "b"] {
        store.create_order(&change(0), "shop", draft(order), unencoded()).await.unwrap();
    }
    store
}

pub async fn an_event_changes_facts_and_is_kept<D: Database>() {
    let database = D::fresh();
    let store = filled(&database).await;
    let before = store.get_shop("shop").await.unwrap().revision;
    let record = store.record_floor(&change(6), "shop", Some("a"), pausing("a", Some(5)), unencoded()).await;
    let record = record.unwrap().fresh().unwrap();
    assert_eq!((record.id, record.create_time, record.note.clone()), (1, at(6), note(FloorKind::Pause, "a")));
    assert_eq!(store.get_shop("shop").await.unwrap().revision, before + 1);
    let kept = store.get_order("shop", "a").await.unwrap();
    assert!(matches!(kept.facts.operations[0].progress, Progress::Paused { remaining_minutes: 7, .. }));
    let audit = store.list_audit("shop", 0, 100).await.unwrap();
    let told: Vec<(&str, &str)> =
        audit.iter().rev().take(2).map(|entry| (entry.resource.as_str(), entry.action.as_str())).collect();
    assert_eq!(told, [("shops/shop/floorRecords/1", "create"), ("shops/shop/orders/a", "update")]);
    // What changes no fact is kept all the same.
    store.record_floor(&change(7), "shop", Some("b"), pausing("b", None), unencoded()).await.unwrap();
    assert_eq!(store.get_shop("shop").await.unwrap().revision, before + 1);
    // What is refused leaves no trace.
    let refuse: FloorEdit = Box::new(|_, _, _| Err(Refusal::Forbidden("no".into())));
    let refused = store.record_floor(&change(8), "shop", None, refuse, unencoded()).await.unwrap_err();
    assert!(matches!(refused, Error::Forbidden { message, .. } if message == "no"));
    let missing = store.record_floor(&change(8), "shop", Some("none"), pausing("a", None), unencoded()).await;
    assert!(matches!(missing.unwrap_err(), Error::NotFound { name } if name == "shops/shop/orders/none"));
    let ids = |records: Vec<fitup_store::FloorRecord>| records.into_iter().map(|it| it.id).collect::<Vec<_>>();
    let page = |after: Option<&str>, limit| Page { after: after.map(Into::into), limit };
    assert_eq!(ids(store.list_floor("shop", None, page(None, 9)).await.unwrap()), [2, 1]);
    assert_eq!(ids(store.list_floor("shop", None, page(Some("2"), 9)).await.unwrap()), [1]);
    assert_eq!(ids(store.list_floor("shop", Some("b"), page(None, 9)).await.unwrap()), [2]);
    assert!(
        database.execute("update floor_record set reason = 'other'").await.unwrap_err().contains("floor_record_fixed")
    );
}

pub async fn plans_come_together_and_come_back<D: Database>() {
    let database = D::fresh();
    let store = filled(&database).await;
    let revision = store.get_shop("shop").await.unwrap().revision;
    let plan = |id: &str| NewPlan { id: id.into(), shop_revision: revision, timetable: empty_timetable() };
    let saved = store.save_plans(&change(1), "shop", vec![plan("p"), plan("q")], unencoded()).await.unwrap();
    let states: Vec<_> = saved.fresh().unwrap().into_iter().map(|plan| (plan.id, plan.state)).collect();
    assert_eq!(states, [("p".into(), PlanState::Proposed), ("q".into(), PlanState::Proposed)]);
    // All or none.
    let twice = store.save_plans(&change(1), "shop", vec![plan("r"), plan("r")], unencoded()).await.unwrap_err();
    assert!(matches!(twice, Error::AlreadyExists { name } if name == "shops/shop/plans/r"));
    assert!(matches!(store.get_plan("shop", "r").await.unwrap_err(), Error::NotFound { .. }));
    store.publish_plan(&change(2), "shop", "p", unencoded()).await.unwrap();
    let back = store.restore_plan(&change(3), "shop", plan("back"), unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!(back.state, PlanState::Published);
    assert_eq!(store.get_plan("shop", "p").await.unwrap().state, PlanState::Superseded);
    store.record_floor(&change(4), "shop", Some("a"), pausing("a", Some(5)), unencoded()).await.unwrap();
    let stale = store.restore_plan(&change(5), "shop", plan("late"), unencoded()).await.unwrap_err();
    assert!(matches!(stale, Error::PlanStale { .. }));
    assert!(matches!(store.get_plan("shop", "late").await.unwrap_err(), Error::NotFound { .. }), "nothing is kept");
}
