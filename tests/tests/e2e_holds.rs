//! Quotes that are held: what a hold keeps from others, how it ends, and who may end it. With several servers on
//! PostgreSQL too, where there is one.

#[allow(dead_code, reason = "the tests of the store stop it too")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use fitup_proto::v1;
use fitup_proto::v1::hold::{Date, State};
use fitup_tests::server::{TestServer, faults, minutes, minutes_in, refused, small_order, small_shop};
use tonic::{Code, Status};
use uuid::Uuid;

/// A shop with one body stall, and one order in the published plan.
async fn shop_with_a_plan(server: &TestServer) -> v1::Plan {
    let mut shop = small_shop();
    shop.bays.remove(1);
    server.create_shop("main", shop).await;
    server.create_order("r-1", small_order()).await;
    publish(server).await
}

async fn publish(server: &TestServer) -> v1::Plan {
    let plan = server.plan(2).await;
    let request = v1::PublishPlanRequest { name: plan.name, ..Default::default() };
    server.plans().publish_plan(request).await.unwrap().into_inner()
}

/// A long job in the one stall, held until so many minutes after the start.
fn ask(id: &str, until: i64) -> v1::HoldQuoteRequest {
    let mut order = small_order();
    order.promise_time = None;
    order.operations[0].work = minutes(400);
    v1::HoldQuoteRequest {
        parent: "shops/main".into(),
        order_id: id.into(),
        order: Some(order),
        as_of_time: minutes_in(0),
        future_count: 100,
        expire_time: minutes_in(until),
        ..Default::default()
    }
}

async fn hold(server: &TestServer, id: &str, until: i64) -> v1::Hold {
    server.quotes().hold_quote(ask(id, until)).await.expect("a hold").into_inner()
}

/// Returns what such a car is told, as of so many minutes after the start.
async fn quote(server: &TestServer, id: &str, at: i64) -> v1::Quote {
    let request = v1::QuoteOrderRequest {
        parent: "shops/main".into(),
        order_id: id.into(),
        order: ask(id, 1).order,
        arrival_times: minutes_in(0).into_iter().collect(),
        as_of_time: minutes_in(at),
        future_count: 100,
        ..Default::default()
    };
    server.quotes().quote_order(request).await.expect("a quote").into_inner().quotes.remove(0)
}

async fn accept(server: &TestServer, name: &str) -> Result<v1::Hold, Status> {
    let request = v1::AcceptHoldRequest { name: name.into(), ..Default::default() };
    server.quotes().accept_hold(request).await.map(tonic::Response::into_inner)
}

async fn release(server: &TestServer, name: &str) -> Result<v1::Hold, Status> {
    let request = v1::ReleaseHoldRequest { name: name.into(), ..Default::default() };
    server.quotes().release_hold(request).await.map(tonic::Response::into_inner)
}

async fn published(server: &TestServer) -> v1::Plan {
    let request = v1::GetPlanRequest { name: "shops/main/plans/-".into() };
    server.plans().get_plan(request).await.unwrap().into_inner()
}

fn place<'p>(plan: &'p v1::Plan, order: &str) -> Option<&'p v1::OrderPlan> {
    plan.orders.iter().find(|own| own.order.ends_with(&format!("/{order}")))
}

/// Returns the minutes booked of those who do body work, and of the booth.
async fn booked(server: &TestServer) -> (i64, i64) {
    let request = v1::GetLoadRequest {
        parent: "shops/main".into(),
        as_of_time: minutes_in(0),
        check_limit: 1,
        ..Default::default()
    };
    let mut explain = v1::explain_service_client::ExplainServiceClient::new(server.channel());
    let rows = explain.get_load(request).await.unwrap().into_inner().rows;
    let of = |kind: v1::load::Kind, subject: &str| {
        let rows = rows.iter().filter(|row| row.kind() == kind && row.subject == subject);
        rows.map(|row| row.booked_minutes).sum::<i64>()
    };
    (of(v1::load::Kind::Skill, "body"), of(v1::load::Kind::BayClass, "booth"))
}

async fn orders(server: &TestServer) -> Vec<String> {
    let request = v1::ListOrdersRequest { parent: "shops/main".into(), ..Default::default() };
    let listed = server.orders().list_orders(request).await.unwrap().into_inner().orders;
    listed.into_iter().map(|order| order.name).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hold_keeps_its_place_until_it_is_released() {
    let server = TestServer::start().await;
    let before_plan = shop_with_a_plan(&server).await;
    let before = quote(&server, "next", 0).await;
    let quoted = quote(&server, "c-1", 0).await;
    let made = hold(&server, "c-1", 600).await;
    assert_eq!(
        (made.state(), made.promised(), made.name.as_str()),
        (State::Standing, Date::P80, "shops/main/holds/c-1")
    );
    assert_eq!(made.order.as_ref().unwrap().promise_time, made.p80_time);
    let own = [made.earliest_time, made.likely_time, made.p80_time, made.safe_time];
    assert_eq!(own, [quoted.earliest_time, quoted.likely_time, quoted.p80_time, quoted.safe_time]);

    // Its place is in the plan, nobody else has moved, and it is no order.
    let plan = published(&server).await;
    assert_eq!((plan.name.as_str(), plan.stale), (made.plan.as_str(), false));
    assert_eq!(place(&plan, "c-1").unwrap().hold_expire_time, made.expire_time);
    let r_1 =
        |plan: &v1::Plan| (place(plan, "r-1").unwrap().visits.clone(), place(plan, "r-1").unwrap().completion_time);
    assert_eq!(r_1(&plan), r_1(&before_plan));
    assert_eq!(orders(&server).await, ["shops/main/orders/r-1"]);
    let on = v1::RecordWorkRequest {
        order: "shops/main/orders/c-1".into(),
        operation: "repair".into(),
        event: Some(v1::record_work_request::Event::On(v1::ClockOn::default())),
        ..Default::default()
    };
    refused(server.floor().record_work(on).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    let list = v1::GetDispatchListRequest { parent: "shops/main".into(), as_of_time: minutes_in(0) };
    let list = server.floor().get_dispatch_list(list).await.unwrap().into_inner();
    assert!(!format!("{list:?}").contains("c-1"), "{list:?}");

    // The next car is told a later date, and a plan run plans around it.
    let while_held = quote(&server, "next", 0).await;
    assert!(while_held.earliest_time.unwrap().seconds > before.earliest_time.unwrap().seconds);
    let answers = v1::ReplanRequest {
        parent: "shops/main".into(),
        iteration_limit: 100,
        as_of_time: minutes_in(0),
        ..Default::default()
    };
    for answer in server.replans().replan(answers).await.unwrap().into_inner().answers {
        let name = answer.plan.unwrap().name;
        let answer = server.plans().get_plan(v1::GetPlanRequest { name }).await.unwrap().into_inner();
        assert_eq!(place(&answer, "c-1").unwrap().completion_time, made.earliest_time);
    }
    assert_eq!(booked(&server).await, (180 + 400, 2 * (90 + 60)), "work of the body, and stays in the booth");
    let planned = server.plan(2).await;
    assert_eq!(place(&planned, "c-1").unwrap().hold_expire_time, made.expire_time);
    assert_eq!(place(&planned, "c-1").unwrap().promise_time, made.p80_time);

    let released = release(&server, &made.name).await.unwrap();
    assert_eq!(released.state(), State::Released);
    assert!(published(&server).await.stale);
    let after = quote(&server, "next", 0).await;
    assert_eq!(
        (after.earliest_time, after.p80_time, after.safe_time),
        (before.earliest_time, before.p80_time, before.safe_time)
    );
    assert_eq!(release(&server, &made.name).await.unwrap(), released, "again without effect");
    refused(accept(&server, &made.name).await, Code::FailedPrecondition, "STATE_FORBIDS");
    assert!(place(&server.plan(2).await, "c-1").is_none());

    // Held again under its id, beside an order that no plan knew; and entered after that was given up.
    server.create_order("r-2", small_order()).await;
    let again = hold(&server, "c-1", 600).await;
    let plan = published(&server).await;
    assert_eq!((plan.name.as_str(), plan.stale, plan.orders.len()), (again.plan.as_str(), false, 3));
    assert_eq!(r_1(&plan), r_1(&before_plan));
    release(&server, &again.name).await.unwrap();
    server.create_order("c-1", small_order()).await;
    let get = v1::GetHoldRequest { name: again.name };
    refused(server.quotes().get_hold(get).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}

#[tokio::test(flavor = "multi_thread")]
async fn expiry_frees_the_place() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    // As of a moment after the expiry, without and with the hold.
    let before = quote(&server, "next", 60).await;
    let made = hold(&server, "c-1", 30).await;
    let while_held = quote(&server, "next", 29).await;
    assert!(while_held.earliest_time.unwrap().seconds > before.earliest_time.unwrap().seconds);
    let after = quote(&server, "next", 60).await;
    assert_eq!(after, before, "as if it had never been");
    // At the server that clock shows it too: nobody has to do anything.
    let start: jiff::Timestamp = fitup_tests::server::START.parse().unwrap();
    let server =
        server.restart_with(|config| config.clock_start = Some(start + jiff::SignedDuration::from_mins(31))).await;
    let seen = server.quotes().get_hold(v1::GetHoldRequest { name: made.name.clone() }).await.unwrap().into_inner();
    assert_eq!((seen.state(), seen.etag), (State::Expired, made.etag.clone()));
    let status = accept(&server, &made.name).await.unwrap_err();
    assert!(status.message().contains("has expired on Mon 5 May 07:30"), "{status:?}");
    assert!(status.message().contains("fitup quote --file FILE --hold"), "{status:?}");
    refused::<()>(Err(status), Code::FailedPrecondition, "STATE_FORBIDS");
    assert_eq!(release(&server, &made.name).await.unwrap().state(), State::Expired, "without effect");
    let list = v1::ListHoldsRequest { parent: "shops/main".into(), ..Default::default() };
    assert!(server.quotes().list_holds(list.clone()).await.unwrap().into_inner().holds.is_empty());
    let all = v1::ListHoldsRequest { ended_too: true, ..list };
    assert_eq!(server.quotes().list_holds(all).await.unwrap().into_inner().holds.len(), 1);
    // What the facts push hits nobody who is gone.
    let impact = v1::GetImpactRequest { parent: "shops/main".into(), as_of_time: minutes_in(60) };
    let impact = server.floor().get_impact(impact).await.unwrap().into_inner();
    assert!(impact.hits.iter().all(|hit| !hit.order.ends_with("c-1")), "{impact:?}");
    assert!(place(&server.plan(2).await, "c-1").is_none());
    server.create_order("c-1", small_order()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_accepted_keeps_its_place() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    let made = hold(&server, "c-1", 600).await;
    let before = published(&server).await;
    let request_id = Uuid::new_v4().to_string();
    let request =
        v1::AcceptHoldRequest { name: made.name.clone(), etag: made.etag.clone(), request_id: request_id.clone() };
    let stale = v1::AcceptHoldRequest { etag: "other".into(), request_id: String::new(), ..request.clone() };
    refused(server.quotes().accept_hold(stale).await, Code::Aborted, "ETAG_MISMATCH");
    let accepted = server.quotes().accept_hold(request.clone()).await.unwrap().into_inner();
    assert_eq!(accepted.state(), State::Accepted);
    assert_eq!(accepted.order.as_ref().unwrap().name, "shops/main/orders/c-1");
    assert_eq!(server.quotes().accept_hold(request).await.unwrap().into_inner(), accepted, "a repeat");
    refused(accept(&server, &made.name).await, Code::FailedPrecondition, "STATE_FORBIDS");
    refused(release(&server, &made.name).await, Code::FailedPrecondition, "STATE_FORBIDS");

    let after = published(&server).await;
    assert!(!after.stale, "what is to be planned has not changed");
    let (held, own) = (place(&before, "c-1").unwrap(), place(&after, "c-1").unwrap());
    assert_eq!(own, &v1::OrderPlan { hold_expire_time: None, ..held.clone() });
    let request = v1::GetOrderRequest { name: "shops/main/orders/c-1".into() };
    let order = server.orders().get_order(request).await.unwrap().into_inner();
    assert_eq!(order.promise_time, made.p80_time);
    // From then on it is worked on like any other.
    let list = v1::GetDispatchListRequest { parent: "shops/main".into(), as_of_time: minutes_in(0) };
    let list = server.floor().get_dispatch_list(list).await.unwrap().into_inner();
    assert!(format!("{list:?}").contains("c-1"), "{list:?}");
    let history = v1::ListHistoryRequest { parent: "shops/main".into(), page_size: 50, ..Default::default() };
    let mut service = v1::history_service_client::HistoryServiceClient::new(server.channel());
    let entries = service.list_history(history).await.unwrap().into_inner().entries;
    let of_hold: Vec<_> = entries.iter().filter(|entry| entry.resource == made.name).collect();
    assert_eq!(of_hold.iter().map(|entry| entry.action.as_str()).collect::<Vec<_>>(), ["update", "create"]);
    assert!(of_hold[0].request_id == request_id, "{of_hold:?}");
}

/// Asks for a change of a hold, of which only this is said.
async fn alter(server: &TestServer, request: v1::ChangeHoldRequest) -> Result<v1::Hold, Status> {
    let request = v1::ChangeHoldRequest { as_of_time: minutes_in(0), future_count: 100, ..request };
    server.quotes().change_hold(request).await.map(tonic::Response::into_inner)
}

#[tokio::test(flavor = "multi_thread")]
async fn another_date_or_a_longer_time_leaves_its_place() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    let made = hold(&server, "c-1", 600).await;
    // The next one comes after it, and would take its place.
    hold(&server, "c-2", 600).await;
    let before = published(&server).await;
    let longer = v1::ChangeHoldRequest {
        name: made.name.clone(),
        promised: Date::Safe.into(),
        expire_time: minutes_in(700),
        ..Default::default()
    };
    let seen = alter(&server, v1::ChangeHoldRequest { validate_only: true, ..longer.clone() }).await.unwrap();
    assert_eq!(published(&server).await, before, "only looked at");
    let held = place(&before, "c-1").unwrap();
    let there = seen.place.clone().unwrap();
    assert_eq!((&there.visits, &there.operations), (&held.visits, &held.operations));
    let changed = alter(&server, longer).await.unwrap();
    let dates = |hold: &v1::Hold| [hold.earliest_time, hold.likely_time, hold.p80_time, hold.safe_time];
    assert_eq!(dates(&changed), dates(&made));
    assert_eq!((dates(&seen), seen.expire_time), (dates(&changed), changed.expire_time));
    assert_eq!((changed.promised(), changed.expire_time), (Date::Safe, minutes_in(700)));
    assert_eq!(changed.order.unwrap().promise_time, made.safe_time);
    let after = published(&server).await;
    assert_eq!((after.name.as_str(), after.stale), (changed.plan.as_str(), false));
    for id in ["r-1", "c-1", "c-2"] {
        let (old, new) = (place(&before, id).unwrap(), place(&after, id).unwrap());
        assert_eq!((&old.visits, old.completion_time), (&new.visits, new.completion_time), "{id}");
    }
    assert_eq!(place(&after, "c-1").unwrap().hold_expire_time, minutes_in(700));
}

#[tokio::test(flavor = "multi_thread")]
async fn other_work_or_another_drop_off_gets_another_place_and_frees_the_old_one() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    let made = hold(&server, "c-1", 600).await;
    let after_it = quote(&server, "c-2", 0).await;
    let change = v1::ChangeHoldRequest { name: made.name.clone(), ..Default::default() };
    let later = v1::ChangeHoldRequest { arrival_time: minutes_in(3 * 1440), ..change.clone() };
    let seen = alter(&server, v1::ChangeHoldRequest { validate_only: true, ..later.clone() }).await.unwrap();
    let stale = v1::ChangeHoldRequest { etag: "other".into(), ..later.clone() };
    refused(alter(&server, stale).await, Code::Aborted, "ETAG_MISMATCH");
    let request_id = Uuid::new_v4().to_string();
    let later = v1::ChangeHoldRequest { etag: made.etag.clone(), request_id, ..later };
    let changed = alter(&server, later.clone()).await.unwrap();
    assert_eq!(alter(&server, later.clone()).await.unwrap(), changed, "a repeat");
    refused(
        alter(&server, v1::ChangeHoldRequest { request_id: String::new(), ..later }).await,
        Code::Aborted,
        "ETAG_MISMATCH",
    );
    assert_eq!(changed.order.as_ref().unwrap().arrival_time, minutes_in(3 * 1440));
    assert!(changed.earliest_time.unwrap().seconds > made.earliest_time.unwrap().seconds + 2 * 86_400);
    assert_eq!((seen.earliest_time, seen.p80_time), (changed.earliest_time, changed.p80_time));
    assert_eq!(changed.order.as_ref().unwrap().promise_time, changed.p80_time);
    let plan = published(&server).await;
    assert_eq!((plan.name.as_str(), plan.stale, plan.orders.len()), (changed.plan.as_str(), false, 2));
    assert_eq!(place(&plan, "c-1").unwrap().visits, seen.place.unwrap().visits);
    // Its old place is free: the next car is where it was.
    let free = quote(&server, "c-2", 0).await;
    assert_eq!(free.earliest_time, made.earliest_time);
    assert!(free.earliest_time.unwrap().seconds < after_it.earliest_time.unwrap().seconds);

    // Other work in its place, back on the first day; what is not said stays.
    let mut order = small_order();
    order.arrival_time = minutes_in(0);
    let other = alter(&server, v1::ChangeHoldRequest { order: Some(order), ..change.clone() }).await.unwrap();
    assert_eq!(other.order.as_ref().unwrap().operations.len(), small_order().operations.len());
    assert_eq!((other.promised(), other.expire_time), (Date::P80, made.expire_time));
    assert_ne!(other.earliest_time, made.earliest_time);
    accept(&server, &made.name).await.unwrap();
    let status = alter(&server, change).await.unwrap_err();
    assert!(status.message().contains("was accepted, and is order"), "{status:?}");
    refused::<()>(Err(status), Code::FailedPrecondition, "STATE_FORBIDS");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_with_a_change_is_told_at_once_and_changes_nothing() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    let made = hold(&server, "c-1", 600).await;
    let plan = published(&server).await;
    let mut order = small_order();
    order.operations[0].crew = vec!["nobody".into()];
    let wrong = v1::ChangeHoldRequest {
        name: made.name.clone(),
        order: Some(order),
        expire_time: minutes_in(-1),
        promised: 9,
        ..Default::default()
    };
    let found = faults(alter(&server, wrong).await);
    for field in ["order.operations[0].crew[0]: ", "expire_time: ", "promised: "] {
        assert!(found.iter().any(|fault| fault.starts_with(field)), "{field} is not in {found:?}");
    }
    let no_lines = v1::ChangeHoldRequest {
        name: made.name.clone(),
        estimate: Some(v1::Estimate::default()),
        ..Default::default()
    };
    assert_eq!(faults(alter(&server, no_lines).await), ["estimate.lines: are required: no line made what is held"]);
    let none = v1::ChangeHoldRequest { name: "shops/main/holds/none".into(), ..Default::default() };
    refused(alter(&server, none).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    // A place that there is not: the plan ends before.
    let never =
        v1::ChangeHoldRequest { name: made.name.clone(), arrival_time: minutes_in(300 * 1440), ..Default::default() };
    refused(alter(&server, never).await, Code::FailedPrecondition, "STATE_FORBIDS");
    assert_eq!(published(&server).await, plan);
    let get = v1::GetHoldRequest { name: made.name.clone() };
    assert_eq!(server.quotes().get_hold(get).await.unwrap().into_inner(), made);
    release(&server, &made.name).await.unwrap();
    let gone = v1::ChangeHoldRequest { name: made.name, expire_time: minutes_in(900), ..Default::default() };
    let status = alter(&server, gone).await.unwrap_err();
    assert!(status.message().contains("was released"), "{status:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_looked_at_nothing_changes_and_repeats_are_one() {
    let server = TestServer::start().await;
    let no_plan = {
        server.create_shop("main", small_shop()).await;
        server.quotes().hold_quote(ask("c-1", 600)).await
    };
    refused(no_plan, Code::FailedPrecondition, "STATE_FORBIDS");
    server.create_order("r-1", small_order()).await;
    let plan = publish(&server).await;
    let looked_at = v1::HoldQuoteRequest { validate_only: true, ..ask("c-1", 600) };
    let seen = server.quotes().hold_quote(looked_at).await.unwrap().into_inner();
    assert_eq!((seen.etag.as_str(), seen.plan.as_str(), seen.state()), ("", "", State::Standing));
    assert_eq!(published(&server).await, plan);
    let request = v1::HoldQuoteRequest { request_id: Uuid::new_v4().to_string(), ..ask("c-1", 600) };
    let made = server.quotes().hold_quote(request.clone()).await.unwrap().into_inner();
    assert_eq!(made.earliest_time, seen.earliest_time);
    let server = server.restart().await;
    assert_eq!(server.quotes().hold_quote(request.clone()).await.unwrap().into_inner(), made);
    let other = v1::HoldQuoteRequest { order_id: "c-2".into(), ..request };
    refused(server.quotes().hold_quote(other).await, Code::InvalidArgument, "REQUEST_ID_REUSED");
    refused(server.quotes().hold_quote(ask("c-1", 600)).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    refused(server.quotes().hold_quote(ask("r-1", 600)).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    let entered = v1::CreateOrderRequest {
        parent: "shops/main".into(),
        order_id: "c-1".into(),
        order: Some(small_order()),
        ..Default::default()
    };
    let details = refused(server.orders().create_order(entered).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    assert_eq!(details.resource_info().unwrap().resource_type, "fitup.v1.Hold");
}

#[tokio::test(flavor = "multi_thread")]
async fn all_that_is_wrong_is_told_at_once() {
    let server = TestServer::start().await;
    shop_with_a_plan(&server).await;
    let mut request = ask("Not An Id", -5);
    request.promised = 9;
    request.future_count = 30_000;
    request.order.as_mut().unwrap().operations[1].crew = vec!["baker".into()];
    let found = faults(server.quotes().hold_quote(request).await);
    let paths: Vec<&str> = found.iter().filter_map(|fault| fault.split(':').next()).collect();
    assert_eq!(
        paths,
        ["order_id", "promised", "order.operations[1].crew[0]", "expire_time", "future_count"],
        "{found:?}"
    );
    let none = v1::HoldQuoteRequest { order: None, ..ask("c-1", 100 * 1440) };
    let found = faults(server.quotes().hold_quote(none).await);
    assert_eq!(found.len(), 2, "{found:?}");
    // A job that ends nowhere before the horizon.
    let mut long = ask("c-1", 600);
    long.order.as_mut().unwrap().operations[0].earliest_start_time = minutes_in(100 * 1440);
    let details = refused(server.quotes().hold_quote(long).await, Code::FailedPrecondition, "STATE_FORBIDS");
    let told = &details.precondition_failure().unwrap().violations[0];
    assert_eq!(told.subject, "shops/main/holds/c-1");
    assert!(told.description.contains("finds no place"), "{told:?}");
    // Without a word it stands for three days, or until the car is dropped off.
    let mut usual = v1::HoldQuoteRequest { expire_time: None, validate_only: true, ..ask("c-1", 0) };
    let made = server.quotes().hold_quote(usual.clone()).await.unwrap().into_inner();
    assert_eq!(made.expire_time, minutes_in(3 * 1440));
    usual.arrival_time = minutes_in(1440);
    let made = server.quotes().hold_quote(usual).await.unwrap().into_inner();
    assert_eq!(made.expire_time, minutes_in(1440));
}

/// Two servers hold and accept at once: of each two one wins, and the other is told why.
#[tokio::test(flavor = "multi_thread")]
async fn two_servers_race() {
    let Some(cluster) = cluster::shared() else { return };
    let database = cluster.url("fitup", "postgres");
    let start = async || {
        let database = database.clone();
        TestServer::start_with(move |config| config.database = Some(database)).await
    };
    let (first, second) = (start().await, start().await);
    shop_with_a_plan(&first).await;
    let request = ask("c-1", 600);
    let (mut here, mut there) = (first.quotes(), second.quotes());
    let (one, other) = tokio::join!(here.hold_quote(request.clone()), there.hold_quote(request));
    let made = match (one, other) {
        (Ok(made), lost) | (lost, Ok(made)) => {
            refused(lost, Code::AlreadyExists, "RESOURCE_EXISTS");
            made.into_inner()
        }
        (one, other) => panic!("{one:?} {other:?}"),
    };
    let (one, other) = tokio::join!(accept(&first, &made.name), accept(&second, &made.name));
    match (one, other) {
        (Ok(accepted), lost) | (lost, Ok(accepted)) => {
            refused(lost, Code::FailedPrecondition, "STATE_FORBIDS");
            assert_eq!(accepted.state(), State::Accepted);
        }
        (one, other) => panic!("{one:?} {other:?}"),
    }
    assert_eq!(orders(&second).await, ["shops/main/orders/c-1", "shops/main/orders/r-1"]);
    // Two holds of one place: the second comes after the first, wherever they were asked for.
    let (mut here, mut there) = (first.quotes(), second.quotes());
    let (one, other) = tokio::join!(here.hold_quote(ask("c-2", 600)), there.hold_quote(ask("c-3", 600)));
    let (one, other) = (one.unwrap().into_inner(), other.unwrap().into_inner());
    assert_ne!(one.earliest_time, other.earliest_time);
    let plan = published(&first).await;
    assert!(place(&plan, "c-2").is_some() && place(&plan, "c-3").is_some());
    for server in [first, second] {
        server.stop().await.unwrap();
    }
}
