//! Rule books, and what orders were made from.

use fitup_model::OrderFacts;
use fitup_model::take_in::{Conditions, EstimateLine, Override, PartCondition, TakeInFacts};
use fitup_store::{Answer, Error, Refusal, TakeInEdit, TakeInStored};

use crate::database::Database;
use crate::facts::{at, change, plain_order, plain_shop, request, unencoded};

fn line(id: &str) -> EstimateLine {
    EstimateLine {
        id: id.into(),
        panel: "hood".into(),
        work: "replace".into(),
        labour: "body".into(),
        minutes: 90,
        part_number: "4,\"7\"\n1".into(),
        condition: Some(PartCondition::Used),
        part_expected_time: Some(at(60)),
        part_received: false,
        note: "ä".into(),
    }
}

pub fn full() -> TakeInFacts {
    TakeInFacts {
        lines: vec![
            line("z"),
            EstimateLine { condition: None, part_expected_time: None, part_received: true, ..line("a") },
        ],
        overrides: vec![
            Override::Work { operation: "strip".into(), minutes: 30 },
            Override::Crew { operation: "strip".into(), crew: vec!["body".into(), "glass".into()] },
            Override::Link { from: "a".into(), to: "b".into(), min_wait_minutes: 0, max_wait_minutes: Some(9) },
            Override::Link { from: "a".into(), to: "c".into(), min_wait_minutes: 3, max_wait_minutes: None },
            Override::Unlink { from: "b".into(), to: "c".into() },
            Override::LeaveOut { operation: "d".into() },
        ],
        features: vec!["radar".into(), "high-voltage".into()],
        conditions: Conditions {
            adhesive: Some("slow".into()),
            temperature_celsius: Some(-5),
            humidity_percent: Some(80),
            surface_celsius: None,
        },
    }
}

fn edit(order: OrderFacts, facts: TakeInFacts) -> TakeInEdit {
    Box::new(move |_| Ok((order, facts)))
}

pub async fn rule_books<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    assert!(matches!(store.get_rule_book("none").await, Err(Error::NotFound { name }) if name == "shops/none"));
    assert!(matches!(
        store.put_rule_book(&change(0), "none", None, "x", unencoded()).await,
        Err(Error::NotFound { name }) if name == "shops/none"
    ));
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let before = store.get_shop("shop").await.unwrap();
    assert_eq!(store.get_rule_book("shop").await.unwrap(), None);
    let first = store.put_rule_book(&change(1), "shop", Some(0), "one", unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!((first.revision, first.text.as_str(), first.create_time), (1, "one", at(1)));
    let same = store.put_rule_book(&change(2), "shop", Some(1), "one", unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!(same, first, "what changes nothing is no change");
    let second = store.put_rule_book(&request(3, 1, 1), "shop", None, "two\r\n", unencoded()).await.unwrap();
    assert_eq!(second.fresh().map(|book| book.revision), Some(2));
    let repeat = store.put_rule_book(&request(4, 1, 1), "shop", None, "two\r\n", unencoded()).await.unwrap();
    assert!(matches!(repeat, Answer::Repeated(_)));
    let stale = store.put_rule_book(&change(5), "shop", Some(1), "three", unencoded()).await.unwrap_err();
    assert!(matches!(stale, Error::EtagMismatch { name } if name == "shops/shop/ruleBook"));
    assert_eq!(store.get_rule_book("shop").await.unwrap().map(|book| book.text).as_deref(), Some("two\r\n"));
    assert_eq!(store.get_shop("shop").await.unwrap(), before, "plans do not depend on it");
    let trail = store.list_audit("shop", 0, 10).await.unwrap();
    let told: Vec<(&str, &str)> = trail.iter().map(|one| (one.resource.as_str(), one.action.as_str())).collect();
    assert_eq!(told[1..], [("shops/shop/ruleBook", "create"), ("shops/shop/ruleBook", "update")]);
    let refused = database.execute("update rule_book set text = 'x'").await.unwrap_err();
    assert!(refused.contains("rule_book_fixed"), "{refused}");
}

pub async fn come_back_as_they_were<D: Database>() {
    let database = D::fresh();
    let (store, second) = (database.open().await, database.open().await);
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let check: TakeInEdit = Box::new(|known: &TakeInStored| {
        assert_eq!((&known.order, &known.take_in, known.book.text.as_str()), (&None, &None, "book"));
        assert_eq!(known.shop, plain_shop("shop"));
        Ok((plain_order("o"), full()))
    });
    let made = store.take_in(&change(1), "shop", "o", None, "book", check, unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!((&made.facts, made.book.revision, &made.order.facts), (&full(), 1, &plain_order("o")));
    assert_eq!(second.get_take_in("shop", "o").await.unwrap(), made);
    assert_eq!(second.open_take_ins("shop").await.unwrap(), std::slice::from_ref(&made));
    assert_eq!(second.get_order("shop", "o").await.unwrap(), made.order);

    let same = edit(plain_order("o"), full());
    let etag = Some(made.order.etag.as_str());
    let same = store.take_in(&change(2), "shop", "o", etag, "book", same, unencoded()).await.unwrap();
    assert_eq!(same.fresh(), Some(made.clone()), "what changes nothing is no change");
    let fewer = TakeInFacts { lines: vec![line("z")], ..Default::default() };
    let change_lines = edit(plain_order("o"), fewer.clone());
    let changed = store.take_in(&change(3), "shop", "o", None, "book", change_lines, unencoded()).await.unwrap();
    assert_eq!(changed.fresh().unwrap().facts, fewer);
    let trail = store.list_audit("shop", 0, 20).await.unwrap();
    let told: Vec<&str> = trail.iter().map(|one| one.resource.as_str()).collect();
    let take_in = "shops/shop/orders/o/takeIn";
    assert_eq!(told, ["shops/shop", "shops/shop/ruleBook", "shops/shop/orders/o", take_in, take_in]);
    assert!(trail[4].difference.contains("\"lines[a]\":[{"), "{}", trail[4].difference);
    store.delete_shop(&change(4), "shop", None, unencoded()).await.unwrap();
    assert!(store.get_take_in("shop", "o").await.is_err());
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let missing = store.take_in(&change(0), "none", "o", None, "b", edit(plain_order("o"), full()), unencoded()).await;
    assert!(matches!(missing, Err(Error::NotFound { name }) if name == "shops/none"));
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let refuse: TakeInEdit = Box::new(|_| Err(Refusal::Forbidden("no".into())));
    let refused = store.take_in(&change(1), "shop", "o", None, "b", refuse, unencoded()).await;
    assert!(matches!(refused, Err(Error::Forbidden { name, .. }) if name == "shops/shop/orders/o"));
    assert_eq!(store.get_rule_book("shop").await.unwrap(), None, "nothing was changed");
    let none = store.get_take_in("shop", "o").await;
    assert!(matches!(none, Err(Error::NotFound { name }) if name == "shops/shop/orders/o"));
    store.create_order(&change(2), "shop", Box::new(|_| Ok(plain_order("o"))), unencoded()).await.unwrap();
    let none = store.get_take_in("shop", "o").await;
    assert!(matches!(none, Err(Error::NotFound { name }) if name == "shops/shop/orders/o/takeIn"));
    let stale = edit(OrderFacts { note: "x".into(), ..plain_order("o") }, full());
    let stale = store.take_in(&change(3), "shop", "o", Some("other"), "b", stale, unencoded()).await;
    assert!(matches!(stale, Err(Error::EtagMismatch { .. })));
    assert!(store.open_take_ins("shop").await.unwrap().is_empty());
}

/// An order is explained by the rule book that made it, though there is a newer one.
pub async fn the_book_of_then_stays<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    store.take_in(&change(1), "shop", "o", None, "one", edit(plain_order("o"), full()), unencoded()).await.unwrap();
    store.put_rule_book(&change(2), "shop", Some(1), "two", unencoded()).await.unwrap();
    let kept = store.get_take_in("shop", "o").await.unwrap();
    assert_eq!((kept.book.revision, kept.book.text.as_str()), (1, "one"));
    let known: TakeInEdit = Box::new(|known: &TakeInStored| {
        let before = known.take_in.as_ref().map(|(_, book)| book.text.as_str());
        assert_eq!((before, known.book.text.as_str()), (Some("one"), "two"));
        Ok((plain_order("o"), full()))
    });
    let now = store.take_in(&change(3), "shop", "o", None, "one", known, unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!(now.book.revision, 2);
}
