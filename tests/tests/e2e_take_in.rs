//! Every method of the intake service over a socket.

use fitup_proto::v1;
use fitup_proto::v1::r#override::Settled;
use fitup_proto::v1::take_in_order_request::Mode;
use fitup_tests::server::{TestServer, faults, minutes, minutes_in, refused, small_shop};
use prost_types::Timestamp;
use tonic::{Code, Status};
use uuid::Uuid;

/// A rule book for the small shop of these tests: it has one skill and one bay class.
const BOOK: &str = r#"
[book]
title = "small"
works = ["replace", "refinish"]
labours = ["body"]
features = []

[safety]
spray_classes = ["booth"]
spray_skills = ["body"]
refrigerant_skills = ["body"]
high_voltage_skills = ["body"]

[[panel]]
kind = "bolted"
names = ["hood", "*door*"]

[[operation]]
id = "off"
name = "off"
crew = ["body"]
stops_at_closing = true
source = "common practice, no source"

[[operation]]
id = "on"
name = "on"
per_panel = true
crew = ["body", "body"]
stops_at_closing = true
source = "common practice, no source"

[[operation]]
id = "check"
name = "check"
usual_hours = 0.5
crew = ["body"]
required = true
again = true
source = "common practice, no source"

[[follow]]
first = "off"
then = "on"
why = "it is in the way"
source = "common practice, no source"

[[follow]]
first = "on"
then = "check"
wait = "30 min"
why = "checked at the end"
source = "common practice, no source"

[[rule]]
id = "replace"
work = "replace"
give = { off = 40, on = 60 }
bring = "check"
part = "on"
why = "off and on"
source = "common practice, no source"
"#;

async fn start() -> TestServer {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let request = v1::UpdateRuleBookRequest { parent: "shops/main".into(), text: BOOK.into(), ..Default::default() };
    server.intake().update_rule_book(request).await.expect("the book holds together");
    server
}

fn line(id: &str, panel: &str, booked: i64) -> v1::EstimateLine {
    v1::EstimateLine {
        id: id.into(),
        panel: panel.into(),
        work: "replace".into(),
        work_time: minutes(booked),
        ..Default::default()
    }
}

fn request(mode: Mode, lines: Vec<v1::EstimateLine>) -> v1::TakeInOrderRequest {
    let order = v1::Order {
        vehicle: "grey hatchback".into(),
        arrival_time: minutes_in(0),
        arrived: true,
        ..Default::default()
    };
    v1::TakeInOrderRequest {
        parent: "shops/main".into(),
        order_id: "r-1".into(),
        mode: mode.into(),
        order: (mode == Mode::New).then_some(order),
        lines,
        as_of_time: minutes_in(0),
        ..Default::default()
    }
}

async fn take(server: &TestServer, request: v1::TakeInOrderRequest) -> Result<v1::TakeIn, Status> {
    server.intake().take_in_order(request).await.map(|answer| answer.into_inner())
}

fn work(take_in: &v1::TakeIn, id: &str) -> Option<i64> {
    let order = take_in.order.as_ref()?;
    let found = order.operations.iter().find(|operation| operation.id == id)?;
    found.work.as_ref().map(|work| work.seconds / 60)
}

#[tokio::test]
async fn an_order_is_previewed_made_changed_and_supplemented() {
    let server = start().await;
    let lines = || vec![line("1", "hood", 100), line("2", "front-door-left", 50)];
    let preview = take(&server, v1::TakeInOrderRequest { validate_only: true, ..request(Mode::New, lines()) }).await;
    let preview = preview.expect("the lines are right");
    assert_eq!((work(&preview, "off"), work(&preview, "on-hood")), (Some(60), Some(60)));
    assert_eq!(preview.rule_book_revision, 1);
    let origin = preview.origins.iter().find(|origin| origin.operation == "off").expect("it has an origin");
    let shares: Vec<(&str, i64)> = origin
        .shares
        .iter()
        .map(|share| (share.line.as_str(), share.work.as_ref().map_or(0, |work| work.seconds / 60)))
        .collect();
    assert_eq!((shares, origin.rules.join(" ")), (vec![("1", 40), ("2", 20)], "replace".to_owned()));
    let missing = v1::GetTakeInRequest { name: "shops/main/orders/r-1/takeIn".into() };
    refused(server.intake().get_take_in(missing.clone()).await, Code::NotFound, "RESOURCE_NOT_FOUND");

    let id = Uuid::new_v4().to_string();
    let settled = Settled::Work(v1::r#override::Work { operation: "check".into(), work: minutes(45) });
    let make = v1::TakeInOrderRequest {
        request_id: id,
        overrides: vec![v1::Override { settled: Some(settled) }],
        ..request(Mode::New, lines())
    };
    let made = take(&server, make.clone()).await.expect("it is made");
    assert_eq!(take(&server, make).await.expect("a repeat"), made, "a repeat gets the first answer");
    assert_eq!(server.intake().get_take_in(missing).await.expect("is there").into_inner(), made);
    assert_eq!(work(&made, "check"), Some(45));
    refused(take(&server, request(Mode::New, lines())).await, Code::FailedPrecondition, "STATE_FORBIDS");

    // The same lines change nothing, not even the etag.
    let etag = |take_in: &v1::TakeIn| take_in.order.as_ref().map(|order| order.etag.clone());
    let same = take(&server, request(Mode::Replace, lines())).await.expect("is taken in");
    assert_eq!(etag(&same), etag(&made));
    let stale = v1::TakeInOrderRequest { etag: "other".into(), ..request(Mode::Replace, lines()) };
    refused(take(&server, stale).await, Code::Aborted, "ETAG_MISMATCH");

    // The first operation is done; more work is found.
    let mut order = made.order.clone().expect("it has an order");
    let off = order.operations.iter_mut().find(|operation| operation.id == "off").expect("is there");
    off.progress = Some(v1::Progress {
        state: v1::progress::State::Done.into(),
        start_time: minutes_in(0),
        end_time: minutes_in(60),
        technicians: server_technician(&server).await,
        remaining_work: None,
        ..Default::default()
    });
    let update = v1::UpdateOrderRequest { order: Some(order), ..Default::default() };
    server.orders().update_order(update).await.expect("it is done");
    let more = request(Mode::Supplement, vec![line("3", "rear-door-left", 100)]);
    let preview = v1::TakeInOrderRequest { validate_only: true, ..more.clone() };
    let preview = take(&server, preview).await.expect("is shown");
    let effect = preview.effects.first().expect("its own promise comes first");
    assert_eq!(effect.order, "shops/main/orders/r-1");
    let seconds = |time: &Option<Timestamp>| time.as_ref().map(|time| time.seconds);
    assert!(seconds(&effect.completion_after_time) > seconds(&effect.completion_before_time), "{effect:?}");
    let taken = take(&server, more).await.expect("is taken in");
    assert_eq!(
        (work(&taken, "off"), work(&taken, "off-s1"), work(&taken, "on-rear-door-left")),
        (Some(60), Some(40), Some(60))
    );
    assert_eq!(work(&taken, "check"), Some(45), "what was settled by hand stays");
    assert!(taken.origins.iter().any(|origin| origin.operation == "off-s1" && origin.kind == "off"));
    let listed = server.intake().list_cautions(v1::ListCautionsRequest { parent: "shops/main".into() }).await;
    assert!(listed.expect("is listed").into_inner().last_word.contains("local codes come first"));
}

async fn server_technician(server: &TestServer) -> Vec<String> {
    let shop = server.shops().get_shop(v1::GetShopRequest { name: "shops/main".into() }).await.expect("is there");
    let shop = shop.into_inner();
    let able = shop.technicians.iter().find(|one| one.skills.iter().any(|skill| skill.skill == "body"));
    vec![able.expect("somebody can").id.clone()]
}

#[tokio::test]
async fn everything_wrong_is_told_at_once_and_changes_nothing() {
    let server = start().await;
    let bad = v1::TakeInOrderRequest {
        lines: vec![
            v1::EstimateLine { work: "paint".into(), work_time: None, ..line("1", "hood", 1) },
            v1::EstimateLine { part_number: "7".into(), ..line("1", "spoiler", 60) },
        ],
        features: vec!["wings".into()],
        overrides: vec![v1::Override::default()],
        ..request(Mode::New, vec![])
    };
    let found = faults(take(&server, bad).await);
    for field in [
        "lines[0].work",
        "lines[0].work_time",
        "lines[1].id",
        "lines[1].panel",
        "lines[1].part_expected_time",
        "features[0]",
        "overrides[0]",
    ] {
        assert!(found.iter().any(|fault| fault.starts_with(&format!("{field}: "))), "{field} is not in {found:?}");
    }
    // So much of anything is not even read.
    let many = v1::TakeInOrderRequest {
        overrides: vec![v1::Override::default(); 501],
        ..request(Mode::New, vec![line("1", "hood", 60); 501])
    };
    let found = faults(take(&server, many.clone()).await);
    assert_eq!(found, ["lines: 501 entries; at most 500", "overrides: 501 entries; at most 500"]);
    let nowhere = v1::TakeInOrderRequest { parent: "shops/nowhere".into(), ..many };
    refused(take(&server, nowhere).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    let unsafe_one = v1::TakeInOrderRequest {
        overrides: vec![v1::Override { settled: Some(Settled::LeaveOut("check".into())) }],
        ..request(Mode::New, vec![line("1", "hood", 60)])
    };
    let found = faults(take(&server, unsafe_one).await);
    assert!(found[0].starts_with("overrides[0].leave_out: "), "{found:?}");
    let name = "shops/main/orders/r-1";
    let get = v1::GetOrderRequest { name: name.into() };
    refused(server.orders().get_order(get).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    refused(
        take(&server, request(Mode::Replace, vec![line("1", "hood", 60)])).await,
        Code::FailedPrecondition,
        "STATE_FORBIDS",
    );
}

#[tokio::test]
async fn rule_books_are_kept_by_revision() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let get = || v1::GetRuleBookRequest { name: "shops/main/ruleBook".into() };
    let built_in = server.intake().get_rule_book(get()).await.expect("is there").into_inner();
    assert_eq!((built_in.revision, built_in.text.as_str()), (0, fitup_intake::DEFAULT_BOOK));
    let update = |text: &str, revision, validate_only| v1::UpdateRuleBookRequest {
        parent: "shops/main".into(),
        text: text.into(),
        revision,
        validate_only,
        ..Default::default()
    };
    let wrong = server.intake().update_rule_book(update("[book\n", None, false)).await;
    let found = faults(wrong);
    assert!(found[0].starts_with("text[1:"), "{found:?}");
    let checked = server.intake().update_rule_book(update(BOOK, Some(0), true)).await.expect("holds together");
    assert_eq!(checked.into_inner().revision, 0);
    let put = server.intake().update_rule_book(update(BOOK, Some(0), false)).await.expect("is kept").into_inner();
    assert_eq!(put.revision, 1);
    assert_eq!(server.intake().get_rule_book(get()).await.expect("is there").into_inner(), put);
    let stale = server.intake().update_rule_book(update(BOOK, Some(0), false)).await;
    refused(stale, Code::Aborted, "ETAG_MISMATCH");
    let bad = v1::GetRuleBookRequest { name: "shops/main".into() };
    refused(server.intake().get_rule_book(bad).await, Code::InvalidArgument, "FIELDS_INVALID");
}

/// More work on one order pushes another back, and that is told before it is accepted.
#[tokio::test]
async fn the_effect_on_others_is_told() {
    let server = start().await;
    let order = |weight| v1::Order {
        vehicle: "van".into(),
        arrival_time: minutes_in(0),
        arrived: true,
        promise_time: minutes_in(60),
        late_weight: Some(weight),
        ..Default::default()
    };
    for (id, weight) in [("r-1", 1000), ("r-2", 1)] {
        let new = v1::TakeInOrderRequest {
            order_id: id.into(),
            order: Some(order(weight)),
            ..request(Mode::New, vec![line("1", "hood", 100)])
        };
        take(&server, new).await.expect("is made");
    }
    let more = request(Mode::Supplement, vec![line("2", "rear-door-left", 200)]);
    let shown = take(&server, v1::TakeInOrderRequest { validate_only: true, ..more }).await.expect("is shown");
    let orders: Vec<&str> = shown.effects.iter().map(|effect| effect.order.as_str()).collect();
    assert_eq!(orders, ["shops/main/orders/r-1", "shops/main/orders/r-2"], "{:?}", shown.effects);
    for effect in &shown.effects {
        let seconds = |time: &Option<Timestamp>| time.as_ref().map(|time| time.seconds);
        assert!(seconds(&effect.completion_after_time) > seconds(&effect.completion_before_time), "{effect:?}");
    }
}

/// Enters and plans an order of no lines, so that there is a published plan.
async fn publish(server: &TestServer) {
    server.create_order("r-0", fitup_tests::server::small_order()).await;
    let request = v1::PublishPlanRequest { name: server.plan(1).await.name, ..Default::default() };
    server.plans().publish_plan(request).await.expect("is published");
}

fn settled() -> Vec<v1::Override> {
    let settled = Settled::Work(v1::r#override::Work { operation: "check".into(), work: minutes(45) });
    vec![v1::Override { settled: Some(settled) }]
}

fn hold(id: &str, lines: Vec<v1::EstimateLine>) -> v1::HoldQuoteRequest {
    let head = v1::Order {
        vehicle: "grey hatchback".into(),
        arrival_time: minutes_in(0),
        arrived: true,
        ..Default::default()
    };
    v1::HoldQuoteRequest {
        parent: "shops/main".into(),
        order_id: id.into(),
        order: Some(head),
        estimate: Some(v1::Estimate { lines, overrides: settled(), ..Default::default() }),
        as_of_time: minutes_in(0),
        future_count: 50,
        expire_time: minutes_in(600),
        ..Default::default()
    }
}

async fn accept(server: &TestServer, hold: &v1::Hold) -> v1::Hold {
    let request = v1::AcceptHoldRequest { name: hold.name.clone(), ..Default::default() };
    server.quotes().accept_hold(request).await.expect("is accepted").into_inner()
}

/// Returns what an order was made from, without what must differ between two orders.
fn but_for_its_name(take_in: v1::TakeIn) -> v1::TakeIn {
    let order = take_in.order.map(|order| v1::Order {
        name: String::new(),
        etag: String::new(),
        create_time: None,
        update_time: None,
        ..order
    });
    v1::TakeIn { name: String::new(), order, effects: Vec::new(), ..take_in }
}

async fn taken_in(server: &TestServer, id: &str) -> v1::TakeIn {
    let request = v1::GetTakeInRequest { name: format!("shops/main/orders/{id}/takeIn") };
    but_for_its_name(server.intake().get_take_in(request).await.expect("lines made it").into_inner())
}

/// Goal: an estimate that was held and accepted is the order that taking it in would have made, now and whatever happens to
/// its lines. Method: two orders of the same lines, one by each way, side by side through the same changes.
#[tokio::test(flavor = "multi_thread")]
async fn what_was_held_is_the_order_that_take_in_makes() {
    let server = start().await;
    publish(&server).await;
    let lines = || vec![line("1", "hood", 100), line("2", "front-door-left", 50)];
    let held = server.quotes().hold_quote(hold("h-1", lines())).await.expect("is held").into_inner();
    let made = held.take_in.clone().expect("lines made it");
    assert_eq!((made.lines, made.overrides, made.rule_book_revision), (lines_back(lines()), settled(), 1));
    accept(&server, &held).await;
    let promise_time = held.order.as_ref().and_then(|order| order.promise_time);
    let new = request(Mode::New, lines());
    let new = v1::TakeInOrderRequest {
        order: new.order.clone().map(|order| v1::Order { promise_time, ..order }),
        overrides: settled(),
        ..new
    };
    take(&server, new).await.expect("is made");
    assert_eq!(taken_in(&server, "h-1").await, taken_in(&server, "r-1").await);

    // A line books more, one goes, one comes; then a supplement; then less is settled by hand.
    let changed = || vec![line("1", "hood", 200), line("3", "rear-door-left", 50)];
    let steps = [
        request(Mode::Replace, changed()),
        request(Mode::Supplement, vec![line("4", "front-door-left", 30)]),
        v1::TakeInOrderRequest { forget: vec!["check".into()], ..request(Mode::Supplement, vec![]) },
    ];
    for step in steps {
        for id in ["h-1", "r-1"] {
            take(&server, v1::TakeInOrderRequest { order_id: id.into(), ..step.clone() }).await.expect("is taken in");
        }
        assert_eq!(taken_in(&server, "h-1").await, taken_in(&server, "r-1").await);
    }
    let now = taken_in(&server, "h-1").await;
    assert_eq!((work(&now, "off"), work(&now, "on-hood"), work(&now, "check")), (Some(112), Some(120), Some(30)));
    assert_eq!(now.order.and_then(|order| order.promise_time), promise_time);
}

/// Returns lines as they are told back: hours that are not said are said.
fn lines_back(lines: Vec<v1::EstimateLine>) -> Vec<v1::EstimateLine> {
    lines.into_iter().map(|line| v1::EstimateLine { work_time: line.work_time.or(minutes(0)), ..line }).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hold_keeps_the_rule_book_that_made_it_and_a_new_order_has_none_of_its_lines() {
    let server = start().await;
    publish(&server).await;
    let held = server.quotes().hold_quote(hold("h-1", vec![line("1", "hood", 100)])).await.expect("held").into_inner();
    let text = BOOK.replace("off = 40, on = 60", "off = 20, on = 80");
    let update = v1::UpdateRuleBookRequest { parent: "shops/main".into(), text, ..Default::default() };
    server.intake().update_rule_book(update).await.expect("holds together");
    let accepted = accept(&server, &held).await;
    assert_eq!(accepted.take_in.expect("lines made it").name, "shops/main/orders/h-1/takeIn");
    let order = taken_in(&server, "h-1").await;
    assert_eq!((order.rule_book_revision, work(&order, "off")), (1, Some(40)));
    let again =
        v1::TakeInOrderRequest { order_id: "h-1".into(), ..request(Mode::Replace, vec![line("1", "hood", 100)]) };
    let again = take(&server, again).await.expect("is taken in");
    assert_eq!((again.rule_book_revision, work(&again, "off"), work(&again, "check")), (2, Some(20), Some(45)));

    // Under the id of a hold that was given up: by hand, and of other lines.
    for (id, by_hand) in [("h-2", true), ("h-3", false)] {
        let held = server.quotes().hold_quote(hold(id, vec![line("1", "hood", 100)])).await.expect("held").into_inner();
        let release = v1::ReleaseHoldRequest { name: held.name, ..Default::default() };
        server.quotes().release_hold(release).await.expect("is released");
        let name = format!("shops/main/orders/{id}/takeIn");
        if by_hand {
            server.create_order(id, fitup_tests::server::small_order()).await;
            let get = server.intake().get_take_in(v1::GetTakeInRequest { name }).await;
            refused(get, Code::NotFound, "RESOURCE_NOT_FOUND");
        } else {
            let new = request(Mode::New, vec![line("9", "hood", 60)]);
            let made = take(&server, v1::TakeInOrderRequest { order_id: id.into(), ..new }).await.expect("is made");
            assert_eq!((made.lines.len(), made.overrides.len()), (1, 0));
        }
    }
}

/// Goal: lines that change while they are held are the lines of the order. Method: the same order by take-in alone.
#[tokio::test(flavor = "multi_thread")]
async fn lines_that_change_while_they_are_held_become_the_same_order() {
    let server = start().await;
    publish(&server).await;
    let held = server.quotes().hold_quote(hold("h-1", vec![line("1", "hood", 100)])).await.expect("held").into_inner();
    let change = |estimate: v1::Estimate| v1::ChangeHoldRequest {
        name: held.name.clone(),
        estimate: Some(estimate),
        as_of_time: minutes_in(0),
        future_count: 50,
        ..Default::default()
    };
    let lines = || vec![line("1", "hood", 200), line("2", "front-door-left", 50)];
    let changed = change(v1::Estimate { lines: lines(), ..Default::default() });
    let changed = server.quotes().change_hold(changed).await.expect("is changed").into_inner();
    let made = changed.take_in.clone().expect("lines made it");
    assert_eq!((made.lines, made.overrides), (lines(), settled()), "what was settled stays");
    // Without lines only what is settled changes.
    let forget = change(v1::Estimate { forget: vec!["check".into()], ..Default::default() });
    let changed = server.quotes().change_hold(forget).await.expect("is changed").into_inner();
    assert_eq!(changed.take_in.map(|made| (made.lines, made.overrides)), Some((lines(), vec![])));
    let accepted = accept(&server, &held).await;
    let new = request(Mode::New, lines());
    let promise_time = accepted.order.as_ref().and_then(|order| order.promise_time);
    let head = new.order.clone().map(|order| v1::Order { promise_time, ..order });
    take(&server, v1::TakeInOrderRequest { order: head, ..new }).await.expect("is made");
    assert_eq!(taken_in(&server, "h-1").await, taken_in(&server, "r-1").await);
    let bad = v1::EstimateLine { work: "paint".into(), ..line("1", "hood", 100) };
    let held = server.quotes().hold_quote(hold("h-2", vec![line("1", "hood", 100)])).await.expect("held").into_inner();
    let bad = v1::ChangeHoldRequest {
        name: held.name.clone(),
        ..change(v1::Estimate { lines: vec![bad], ..Default::default() })
    };
    let found = faults(server.quotes().change_hold(bad).await);
    assert!(found[0].starts_with("estimate.lines[0].work: unknown work"), "{found:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_with_the_lines_of_a_hold_is_told_by_its_place() {
    let server = start().await;
    publish(&server).await;
    let bad = v1::EstimateLine { work: "paint".into(), ..line("1", "spoiler", 100) };
    let found = faults(server.quotes().hold_quote(hold("h-1", vec![bad])).await);
    for field in ["estimate.lines[0].work: ", "estimate.lines[0].panel: "] {
        assert!(found.iter().any(|fault| fault.starts_with(field)), "{field} is not in {found:?}");
    }
    let both = v1::HoldQuoteRequest {
        order: Some(fitup_tests::server::small_order()),
        ..hold("h-1", vec![line("1", "hood", 100)])
    };
    let found = faults(server.quotes().hold_quote(both).await);
    assert_eq!(found, ["order: has operations, visits, links or parts; those are made from lines"]);
    let get = v1::GetHoldRequest { name: "shops/main/holds/h-1".into() };
    refused(server.quotes().get_hold(get).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}
