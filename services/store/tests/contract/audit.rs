//! The audit trail.

use fitup_model::{Fault, OrderFacts};
use fitup_store::{OrderEdit, Refusal};

use crate::database::Database;
use crate::facts::{at, change, plain_shop, request, unencoded};
use crate::orders::draft;
use crate::plans::plan;

pub async fn tells_who_changed_what<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    store.create_order(&change(1), "shop", draft("o"), unencoded()).await.unwrap();
    let edit: OrderEdit = Box::new(|order, _| {
        let mut facts: OrderFacts = order.clone();
        facts.operations[0].work_minutes = 90;
        Ok(facts)
    });
    let by_request = fitup_store::Change { actor: "writer".into(), ..request(2, 5, 1) };
    store.update_order(&by_request, "shop", "o", None, edit, unencoded()).await.unwrap();
    store.save_plan(&change(3), "shop", plan("p", 3)).await.unwrap();
    store.publish_plan(&change(4), "shop", "p", unencoded()).await.unwrap();
    store.delete_shop(&change(5), "shop", None, unencoded()).await.unwrap();

    let entries = store.list_audit("shop", 0, 100).await.unwrap();
    let told: Vec<_> = entries
        .iter()
        .map(|entry| (entry.action.as_str(), entry.resource.as_str(), entry.revision_before, entry.revision_after))
        .collect();
    assert_eq!(
        told,
        [
            ("create", "shops/shop", 0, 1),
            ("create", "shops/shop/orders/o", 1, 2),
            ("update", "shops/shop/orders/o", 2, 3),
            ("create", "shops/shop/plans/p", 3, 3),
            ("publish", "shops/shop/plans/p", 3, 3),
            ("delete", "shops/shop", 3, 0),
        ]
    );
    let update = &entries[2];
    assert_eq!((update.at, update.actor.as_str()), (at(2), "writer"));
    assert_eq!(update.request.map(|id| id.as_u128()), Some(5));
    assert_eq!(update.difference, r#"{"operations[straighten].work_minutes":[60,90]}"#);
    assert_eq!(entries[4].difference, r#"{"published_plan":[null,"p"]}"#);
    let rest = store.list_audit("shop", entries[3].sequence, 1).await.unwrap();
    assert_eq!(rest, entries[4..5], "from where one has read");
}

pub async fn tells_the_last_first<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let from = fitup_store::Change { origin: Some("192.0.2.7".into()), ..change(0) };
    store.create_shop(&from, plain_shop("shop"), unencoded()).await.unwrap();
    for order in ["o", "o-2"] {
        store.create_order(&change(1), "shop", draft(order), unencoded()).await.unwrap();
    }
    let all = store.list_latest_audit("shop", None, None, 100).await.unwrap();
    let told: Vec<_> = all.iter().map(|entry| (entry.resource.as_str(), entry.origin.as_deref())).collect();
    let expected = [("shops/shop/orders/o-2", None), ("shops/shop/orders/o", None), ("shops/shop", Some("192.0.2.7"))];
    assert_eq!(told, expected);
    let before = store.list_latest_audit("shop", None, Some(all[0].sequence), 1).await.unwrap();
    assert_eq!(before, all[1..2]);
    let of_order = store.list_latest_audit("shop", Some("shops/shop/orders/o"), None, 100).await.unwrap();
    assert_eq!(of_order, all[1..2], "and not of another one whose name begins alike");
    let of_shop = store.list_latest_audit("shop", Some("shops/shop"), None, 100).await.unwrap();
    assert_eq!(of_shop, all, "with what is in it");
    assert!(store.list_latest_audit("other", None, None, 100).await.unwrap().is_empty());
}

pub async fn is_append_only<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let before = store.list_audit("shop", 0, 100).await.unwrap();
    for statement in ["update audit set actor = 'nobody'", "delete from audit", D::REMOVE_AUDIT] {
        let refused = database.execute(statement).await.unwrap_err();
        assert!(refused.contains("audit_append_only"), "{statement}: {refused}");
    }
    assert_eq!(store.list_audit("shop", 0, 100).await.unwrap(), before);
}

pub async fn a_failed_change_leaves_no_trace<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let refusal = Refusal::from(vec![Fault { path: "x".into(), message: "is wrong".into() }]);
    store.create_order(&change(1), "shop", Box::new(|_| Err(refusal)), unencoded()).await.unwrap_err();
    // Found by the database after most rows are written.
    let mut facts = crate::facts::typical_order("o");
    facts.links[10].to = "nowhere".into();
    store.create_order(&change(2), "shop", Box::new(|_| Ok(facts)), unencoded()).await.unwrap_err();
    assert_eq!(store.list_audit("shop", 0, 100).await.unwrap().len(), 1);
    assert_eq!(store.get_shop("shop").await.unwrap().revision, 1);
}
