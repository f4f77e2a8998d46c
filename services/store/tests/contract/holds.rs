//! Holds: what is quoted and held, and how it ends.

use fitup_model::timetable::OrderTimetable;
use fitup_model::{OrderFacts, Timetable};
use fitup_store::{
    Answer, ChangedHold, Error, HoldEdit, HoldEnd, HoldRecord, HoldState, NewHold, OrderEdit, OrderFilter, Page,
    PlanState, QuotedDate, QuotedDates, Refusal, RuleBookRecord, Store,
};

use crate::database::Database;
use crate::facts::{at, change, empty_timetable, plain_order, plain_shop, request, unencoded};
use crate::orders::draft;
use crate::plans::plan;
use crate::take_ins::full;

/// Returns a hold that stands until 100, with a plan in which its order, and these, are.
pub fn hold(id: &str, plan: &str, others: &[&str]) -> NewHold {
    let order = |order: &str| OrderTimetable {
        order: order.to_owned(),
        vehicle: String::new(),
        arrival_time: at(0),
        promise_time: None,
        completion_time: at(60),
        visits: Vec::new(),
        operations: Vec::new(),
        delays: Vec::new(),
        held_until: None,
    };
    let orders = others.iter().chain([&id]).map(|id| order(id)).collect();
    NewHold {
        facts: OrderFacts { promise_time: Some(at(70)), ..plain_order(id) },
        promised: QuotedDate::P80,
        dates: QuotedDates { earliest: at(60), likely: Some(at(65)), p80: Some(at(70)), safe: None },
        quote_time: at(1),
        futures: [Some(at(64)), Some(at(69)), None],
        expire_time: at(100),
        plan: plan.into(),
        timetable: Timetable { orders, ..empty_timetable() },
        take_in: None,
    }
}

fn end(end: HoldEnd) -> HoldEdit {
    Box::new(move |_, _| Ok(Some(end)))
}

pub async fn make(store: &dyn Store, seconds: i64, hold: NewHold) -> Result<HoldRecord, Error> {
    let revision = store.get_shop("shop").await.unwrap().revision;
    let answer = store.create_hold(&change(seconds), "shop", revision, Ok(hold), unencoded()).await;
    answer.map(|answer| answer.fresh().unwrap())
}

fn page() -> Page {
    Page { after: None, limit: 10 }
}

fn ids(holds: &[HoldRecord]) -> Vec<&str> {
    holds.iter().map(|hold| hold.facts.id.as_str()).collect()
}

/// A hold is no order, and its place is in the published plan.
pub async fn keeps_a_place<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    store.create_order(&change(0), "shop", draft("o"), unencoded()).await.unwrap();
    let made = make(&*store, 1, hold("h", "p", &["o"])).await.unwrap();
    assert_eq!(made, store.get_hold("shop", "h").await.unwrap());
    assert_eq!((made.state, made.promised, made.plan.as_str()), (HoldState::Standing, QuotedDate::P80, "p"));
    assert_eq!((made.facts.promise_time, made.dates.safe, made.end_time), (Some(at(70)), None, None));
    assert_eq!((made.create_time, made.update_time, made.expire_time), (at(1), at(1), at(100)));
    assert_eq!((made.state_at(at(99)), made.state_at(at(100))), (HoldState::Standing, HoldState::Expired));

    let plan = store.latest_plan("shop").await.unwrap().unwrap();
    assert_eq!((plan.id.as_str(), plan.state, plan.stale), ("p", PlanState::Published, false));
    let held: Vec<_> = plan.timetable.orders.iter().map(|order| (order.order.as_str(), order.held_until)).collect();
    assert_eq!(held, [("o", None), ("h", Some(at(100)))]);

    let snapshot = store.snapshot("shop").await.unwrap();
    assert_eq!(snapshot.orders.iter().map(|order| order.facts.id.as_str()).collect::<Vec<_>>(), ["o"]);
    assert_eq!(snapshot.holds, std::slice::from_ref(&made));
    assert!(matches!(store.get_order("shop", "h").await, Err(Error::NotFound { .. })));
    let orders = store.list_orders("shop", OrderFilter::default(), page()).await.unwrap();
    assert_eq!(orders.len(), 1, "a hold is no order");
    let same: OrderEdit = Box::new(|order, _| Ok(order.clone()));
    let update = store.update_order(&change(2), "shop", "h", None, same, unencoded()).await;
    assert!(matches!(update, Err(Error::NotFound { .. })));

    let trail = store.list_audit("shop", 0, 20).await.unwrap();
    let told: Vec<_> = trail.iter().map(|one| (one.resource.as_str(), one.action.as_str())).collect();
    let (of_plan, of_hold) = ("shops/shop/plans/p", "shops/shop/holds/h");
    assert_eq!(told[2..], [(of_plan, "create"), (of_plan, "publish"), (of_hold, "create")]);
    assert!(trail[4].difference.contains("\"state\":[null,\"standing\"]"), "{}", trail[4].difference);
    assert_eq!((trail[4].revision_before, trail[4].revision_after), (2, 3));
}

/// What is accepted is an order, and no plan that knows it gets old.
pub async fn is_accepted<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let made = make(&*store, 1, hold("h", "p", &[])).await.unwrap();
    let sees: HoldEdit = Box::new(|hold, shop| {
        assert_eq!((hold.facts.id.as_str(), shop.id.as_str()), ("h", "shop"));
        Ok(Some(HoldEnd::Accepted))
    });
    let etag = Some(made.etag.as_str());
    let answer = store.end_hold(&request(2, 7, 1), "shop", "h", etag, sees, unencoded()).await.unwrap();
    let accepted = answer.fresh().unwrap();
    assert_eq!((accepted.state, accepted.end_time, &accepted.facts), (HoldState::Accepted, Some(at(2)), &made.facts));
    assert_ne!(accepted.etag, made.etag);
    let repeat = store.end_hold(&request(3, 7, 1), "shop", "h", etag, end(HoldEnd::Released), unencoded()).await;
    assert!(matches!(repeat, Ok(Answer::Repeated(_))));
    let order = store.get_order("shop", "h").await.unwrap();
    assert_eq!((&order.facts, order.create_time), (&made.facts, at(2)));
    let kept = store.latest_plan("shop").await.unwrap().unwrap();
    assert_eq!((kept.stale, kept.timetable.orders[0].held_until), (false, None), "it keeps its place as an order");
    assert_eq!(store.snapshot("shop").await.unwrap().holds, []);
    let trail = store.list_audit("shop", 0, 20).await.unwrap();
    let told: Vec<_> = trail.iter().map(|one| (one.resource.as_str(), one.action.as_str())).collect();
    assert_eq!(told[4..], [("shops/shop/orders/h", "create"), ("shops/shop/holds/h", "update")]);
    assert!(trail[5].difference.contains("\"state\":[\"standing\",\"accepted\"]"), "{}", trail[5].difference);
    let again = make(&*store, 4, hold("h", "q", &[])).await;
    assert!(matches!(again, Err(Error::AlreadyExists { name }) if name == "shops/shop/orders/h"));

    // A plan that does not know it gets old.
    make(&*store, 5, hold("i", "r", &["h"])).await.unwrap();
    let revision = store.get_shop("shop").await.unwrap().revision;
    store.save_plan(&change(6), "shop", plan("stranger", revision)).await.unwrap();
    store.end_hold(&change(7), "shop", "i", None, end(HoldEnd::Accepted), unencoded()).await.unwrap();
    assert!(store.get_plan("shop", "stranger").await.unwrap().stale);
}

/// What is released or over makes room: for an order of its id, and for another hold.
pub async fn makes_room_again<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    make(&*store, 1, hold("h", "p", &[])).await.unwrap();
    let in_the_way = |error: Error| matches!(error, Error::AlreadyExists { name } if name == "shops/shop/holds/h");
    assert!(in_the_way(make(&*store, 2, hold("h", "q", &[])).await.unwrap_err()));
    assert!(in_the_way(store.create_order(&change(2), "shop", draft("h"), unencoded()).await.unwrap_err()));
    let released = store.end_hold(&change(3), "shop", "h", None, end(HoldEnd::Released), unencoded()).await;
    let released = released.unwrap().fresh().unwrap();
    assert_eq!((released.state, released.end_time), (HoldState::Released, Some(at(3))));
    assert_eq!(store.snapshot("shop").await.unwrap().holds, []);
    let plan = store.latest_plan("shop").await.unwrap().unwrap();
    assert_eq!((plan.stale, plan.timetable.orders[0].held_until), (true, Some(at(3))));

    // Held again, then over by its time, then entered.
    make(&*store, 4, hold("h", "r", &[])).await.unwrap();
    assert_eq!(store.get_plan("shop", "p").await.unwrap().timetable.orders.len(), 1, "old plans stay as they were");
    let listed = async |at| store.list_holds("shop", at, page()).await.unwrap();
    assert_eq!(ids(&listed(Some(at(99))).await), ["h"]);
    assert_eq!(ids(&listed(Some(at(100))).await), [""; 0]);
    let entered = store.create_order(&change(100), "shop", draft("h"), unencoded()).await.unwrap().fresh().unwrap();
    assert_eq!((entered.facts, entered.create_time), (plain_order("h"), at(100)));
    assert!(matches!(store.get_hold("shop", "h").await, Err(Error::NotFound { .. })));

    // The next hold notes what is over, which changes nothing of it.
    make(&*store, 5, hold("i", "s", &["h"])).await.unwrap();
    let late = NewHold { expire_time: at(200), ..hold("j", "t", &["h"]) };
    make(&*store, 101, late).await.unwrap();
    let noted = store.get_hold("shop", "i").await.unwrap();
    assert_eq!((noted.state, noted.state_at(at(150)), noted.end_time), (HoldState::Expired, HoldState::Expired, None));
    assert_eq!(ids(&store.snapshot("shop").await.unwrap().holds), ["j"]);
    assert_eq!(ids(&listed(None).await), ["i", "j"]);
    assert_eq!(ids(&store.list_holds("shop", None, Page { after: Some("i".into()), limit: 1 }).await.unwrap()), ["j"]);
}

/// What was said of a hold is kept once it is an order: the latest ones, in the order in which they were quoted.
pub async fn tells_what_was_said<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let said = async |limit| {
        let told = store.list_told("shop", limit).await.unwrap();
        told.into_iter().map(|told| (told.order, told.quote_time, told.futures)).collect::<Vec<_>>()
    };
    make(&*store, 1, NewHold { quote_time: at(9), ..hold("late", "p", &[]) }).await.unwrap();
    make(&*store, 2, NewHold { quote_time: at(3), futures: [None; 3], ..hold("early", "q", &["late"]) }).await.unwrap();
    make(&*store, 3, hold("released", "r", &["late", "early"])).await.unwrap();
    assert_eq!(said(10).await, [], "nobody has accepted");
    for (id, how) in [("late", HoldEnd::Accepted), ("released", HoldEnd::Released), ("early", HoldEnd::Accepted)] {
        store.end_hold(&change(4), "shop", id, None, end(how), unencoded()).await.unwrap();
    }
    let late = ("late".to_owned(), at(9), [Some(at(64)), Some(at(69)), None]);
    assert_eq!(said(10).await, [("early".to_owned(), at(3), [None; 3]), late.clone()]);
    assert_eq!(said(1).await, [late]);
}

/// Returns a hold that lines made, by this rule book.
fn from_lines(hold: NewHold, book: &str) -> NewHold {
    let book = RuleBookRecord { revision: 0, text: book.into(), create_time: at(0) };
    NewHold { take_in: Some((full(), book)), ..hold }
}

/// What lines made stays so when it becomes an order; what takes the place of a hold that is over has not its lines.
pub async fn keeps_its_lines<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let made = make(&*store, 1, from_lines(hold("h", "p", &[]), "one")).await.unwrap();
    assert_eq!(made.take_in, Some((full(), 1)), "the shop keeps its first rule book");
    assert_eq!(store.get_hold("shop", "h").await.unwrap(), made);
    assert_eq!(store.list_holds("shop", None, page()).await.unwrap(), std::slice::from_ref(&made));
    let planned_by = HoldRecord { take_in: None, ..made };
    assert_eq!(store.snapshot("shop").await.unwrap().holds, [planned_by], "nothing is planned by lines");
    assert!(matches!(store.get_take_in("shop", "h").await, Err(Error::NotFound { .. })), "it is no order");
    assert_eq!(store.open_take_ins("shop").await.unwrap(), []);

    // The rule book has changed since: by that it would be another order.
    store.put_rule_book(&change(2), "shop", None, "two", unencoded()).await.unwrap();
    let before = store.snapshot("shop").await.unwrap();
    let old = make(&*store, 2, from_lines(hold("i", "q", &["h"]), "one")).await;
    assert!(matches!(old, Err(Error::EtagMismatch { name }) if name == "shops/shop/ruleBook"));
    assert_eq!(store.snapshot("shop").await.unwrap(), before);

    let accepted = store.end_hold(&change(3), "shop", "h", None, end(HoldEnd::Accepted), unencoded()).await.unwrap();
    assert_eq!(accepted.fresh().unwrap().take_in, Some((full(), 1)));
    let order = store.get_take_in("shop", "h").await.unwrap();
    assert_eq!((order.facts, order.book.revision, order.book.text.as_str()), (full(), 1, "one"));
    let trail = store.list_audit("shop", 0, 50).await.unwrap();
    let told = trail.iter().filter(|one| one.resource == "shops/shop/orders/h/takeIn");
    assert_eq!(told.map(|one| one.action.as_str()).collect::<Vec<_>>(), ["create"]);

    make(&*store, 4, from_lines(hold("i", "q", &["h"]), "two")).await.unwrap();
    store.end_hold(&change(5), "shop", "i", None, end(HoldEnd::Released), unencoded()).await.unwrap();
    store.create_order(&change(6), "shop", draft("i"), unencoded()).await.unwrap();
    assert!(matches!(store.get_take_in("shop", "i").await, Err(Error::NotFound { .. })), "no line made it");
}

/// Changes a hold by what is known of it now.
async fn alter(store: &dyn Store, seconds: i64, changed: ChangedHold) -> Result<HoldRecord, Error> {
    let revision = store.get_shop("shop").await.unwrap().revision;
    let etag = store.get_hold("shop", &changed.hold.facts.id).await.unwrap().etag;
    let known = (revision, Some(etag.as_str()));
    let answer = store.change_hold(&change(seconds), "shop", known, Ok(changed), unencoded()).await;
    answer.map(|answer| answer.fresh().unwrap())
}

/// The old place goes and the new one comes at once; what was told stays where nothing was quoted anew.
pub async fn is_changed<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    make(&*store, 1, from_lines(hold("h", "p", &[]), "one")).await.unwrap();
    store.put_rule_book(&change(2), "shop", None, "two", unencoded()).await.unwrap();
    let made = store.get_hold("shop", "h").await.unwrap();

    // A longer time: its lines stay, by the rule book of then.
    let mut longer = from_lines(hold("h", "q", &[]), "whatever");
    longer.take_in.as_mut().unwrap().1.revision = 1;
    longer.expire_time = at(200);
    let told = (longer.dates, longer.quote_time);
    longer.dates.earliest = at(1);
    longer.quote_time = at(9);
    let longer = alter(&*store, 3, ChangedHold { hold: longer, kept: true }).await.unwrap();
    assert_eq!((longer.expire_time, longer.dates, longer.take_in.clone()), (at(200), told.0, Some((full(), 1))));
    assert_eq!((longer.create_time, longer.update_time), (made.create_time, at(3)));
    assert_ne!(longer.etag, made.etag);
    let published = store.snapshot("shop").await.unwrap().published.unwrap();
    assert_eq!((published.id.as_str(), published.stale), ("q", false));
    assert_eq!(store.get_plan("shop", "p").await.unwrap().state, PlanState::Superseded);

    // Another order, that no line makes.
    let mut other = NewHold { quote_time: at(4), ..hold("h", "r", &[]) };
    other.facts.vehicle = "another".into();
    other.dates.earliest = at(61);
    other.promised = QuotedDate::Likely;
    let changed = alter(&*store, 4, ChangedHold { hold: other.clone(), kept: false }).await.unwrap();
    assert_eq!((changed.facts.clone(), changed.dates, changed.take_in.clone()), (other.facts, other.dates, None));
    assert_eq!((changed.promised, changed.expire_time, changed.plan.as_str()), (QuotedDate::Likely, at(100), "r"));
    assert_eq!(store.get_hold("shop", "h").await.unwrap(), changed);
    let trail = store.list_audit("shop", 0, 50).await.unwrap();
    let told = trail.iter().filter(|one| one.resource == "shops/shop/holds/h");
    assert_eq!(told.map(|one| one.action.as_str()).collect::<Vec<_>>(), ["create", "update", "update"]);
    store.end_hold(&change(5), "shop", "h", None, end(HoldEnd::Accepted), unencoded()).await.unwrap();
    assert_eq!(store.list_told("shop", 9).await.unwrap()[0].quote_time, at(4));
    assert!(matches!(store.get_take_in("shop", "h").await, Err(Error::NotFound { .. })));
}

/// What somebody else did in between refuses a change, which changes nothing then.
pub async fn is_not_changed_by_halves<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let made = make(&*store, 1, hold("h", "p", &[])).await.unwrap();
    let before = store.snapshot("shop").await.unwrap();
    let revision = before.shop.revision;
    let anew = |plan: &str| ChangedHold { hold: hold("h", plan, &[]), kept: false };
    let attempt = async |at: &fitup_store::Change, known: (i64, Option<&str>), changed| {
        store.change_hold(at, "shop", known, changed, unencoded()).await
    };
    let etag = Some(made.etag.as_str());
    let old = attempt(&change(2), (revision - 1, etag), Ok(anew("q"))).await;
    assert!(matches!(old, Err(Error::EtagMismatch { name }) if name == "shops/shop"));
    let other = attempt(&change(2), (revision, Some("other")), Ok(anew("q"))).await;
    assert!(matches!(other, Err(Error::EtagMismatch { name }) if name == "shops/shop/holds/h"));
    let over = attempt(&change(100), (revision, etag), Ok(anew("q"))).await;
    assert!(matches!(over, Err(Error::EtagMismatch { name }) if name == "shops/shop/holds/h"), "it has expired");
    let stranger = ChangedHold { hold: hold("h", "q", &["stranger"]), kept: false };
    let stranger = attempt(&change(2), (revision, etag), Ok(stranger)).await;
    assert!(matches!(stranger, Err(Error::Constraint { constraint }) if constraint == "foreign key"));
    let none = ChangedHold { hold: hold("none", "q", &["h"]), kept: false };
    let none = attempt(&change(2), (revision, etag), Ok(none)).await;
    assert!(matches!(none, Err(Error::NotFound { name }) if name == "shops/shop/holds/none"));
    assert_eq!(store.snapshot("shop").await.unwrap(), before, "errors change nothing");

    let first = attempt(&request(2, 1, 1), (revision, etag), Ok(anew("q"))).await.unwrap();
    let first = first.fresh().unwrap();
    let in_the_way = Err(Error::EtagMismatch { name: String::new() });
    let repeat = attempt(&request(3, 1, 1), (revision, etag), in_the_way).await.unwrap();
    assert!(matches!(repeat, Answer::Repeated(_)));
    store.end_hold(&change(4), "shop", "h", None, end(HoldEnd::Accepted), unencoded()).await.unwrap();
    let revision = store.get_shop("shop").await.unwrap().revision;
    let accepted = attempt(&change(5), (revision, Some(&first.etag)), Ok(anew("r"))).await;
    assert!(matches!(accepted, Err(Error::EtagMismatch { name }) if name == "shops/shop/holds/h"));
}

pub async fn every_error<D: Database>() {
    let database = D::fresh();
    let store = database.open().await;
    let missing = store.create_hold(&change(0), "none", 1, Ok(hold("h", "p", &[])), unencoded()).await;
    assert!(matches!(missing, Err(Error::NotFound { name }) if name == "shops/none"));
    assert!(
        matches!(store.list_holds("none", None, page()).await, Err(Error::NotFound { name }) if name == "shops/none")
    );
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let none = store.get_hold("shop", "h").await;
    assert!(matches!(none, Err(Error::NotFound { name }) if name == "shops/shop/holds/h"));
    let none = store.end_hold(&change(0), "shop", "h", None, end(HoldEnd::Accepted), unencoded()).await;
    assert!(matches!(none, Err(Error::NotFound { name }) if name == "shops/shop/holds/h"));
    let before = store.snapshot("shop").await.unwrap();
    let old = store.create_hold(&change(1), "shop", 7, Ok(hold("h", "p", &[])), unencoded()).await;
    assert!(matches!(old, Err(Error::EtagMismatch { name }) if name == "shops/shop"));
    let stranger = store.create_hold(&change(1), "shop", 1, Ok(hold("h", "p", &["stranger"])), unencoded()).await;
    assert!(matches!(stranger, Err(Error::Constraint { constraint }) if constraint == "foreign key"));
    let no_room = Error::Forbidden { name: "shops/shop/holds/h".into(), message: "no room".into() };
    let refused = store.create_hold(&change(1), "shop", 1, Err(no_room), unencoded()).await;
    assert!(matches!(refused, Err(Error::Forbidden { message, .. }) if message == "no room"));
    assert_eq!(store.snapshot("shop").await.unwrap(), before, "errors change nothing");

    let made = store.create_hold(&request(1, 1, 1), "shop", 1, Ok(hold("h", "p", &[])), unencoded()).await.unwrap();
    let made = made.fresh().unwrap();
    let in_the_way = Error::AlreadyExists { name: String::new() };
    let repeat = store.create_hold(&request(2, 1, 1), "shop", 2, Err(in_the_way), unencoded()).await.unwrap();
    assert!(matches!(repeat, Answer::Repeated(_)));
    let stale = store.end_hold(&change(3), "shop", "h", Some("other"), end(HoldEnd::Accepted), unencoded()).await;
    assert!(matches!(stale, Err(Error::EtagMismatch { name }) if name == "shops/shop/holds/h"));
    let refuse: HoldEdit = Box::new(|_, _| Err(Refusal::Forbidden("over".into())));
    let refused = store.end_hold(&change(3), "shop", "h", None, refuse, unencoded()).await;
    assert!(matches!(refused, Err(Error::Forbidden { name, .. }) if name == "shops/shop/holds/h"));
    let as_it_is: HoldEdit = Box::new(|_, _| Ok(None));
    let same = store.end_hold(&change(3), "shop", "h", None, as_it_is, unencoded()).await.unwrap();
    assert_eq!(same.fresh(), Some(made));
}

/// Whoever comes second is told by what is there then.
pub async fn one_of_two_accepts<D: Database>() {
    let database = D::fresh();
    let (first, second) = (database.open().await, database.open().await);
    first.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    make(&*first, 1, hold("h", "p", &[])).await.unwrap();
    let accept = || -> HoldEdit {
        Box::new(|hold, _| match hold.state {
            HoldState::Standing => Ok(Some(HoldEnd::Accepted)),
            _ => Err(Refusal::Forbidden("was accepted".into())),
        })
    };
    let (one, other) = (change(2), change(2));
    let (here, there) = tokio::join!(
        first.end_hold(&one, "shop", "h", None, accept(), unencoded()),
        second.end_hold(&other, "shop", "h", None, accept(), unencoded())
    );
    let refused = [here.is_err(), there.is_err()].into_iter().filter(|is_refused| *is_refused).count();
    assert_eq!(refused, 1);
    let trail = first.list_audit("shop", 0, 20).await.unwrap();
    assert_eq!(trail.iter().filter(|one| one.resource == "shops/shop/orders/h").count(), 1);
}
