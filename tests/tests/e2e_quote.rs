//! Hours said as three and learned chances end to end, on both databases: entered, refused, quoted, learned.

#[allow(dead_code, reason = "the tests of the store stop it too")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use fitup_proto::v1;
use fitup_proto::v1::explain_service_client::ExplainServiceClient;
use fitup_proto::v1::quote_service_client::QuoteServiceClient;
use fitup_proto::v1::record_work_request::Event;
use fitup_tests::server::{TestServer, faults, minutes, minutes_in, small_order, small_shop};

const PARENT: &str = "shops/main";

async fn quoted(server: &TestServer, id: &str, order: Option<v1::Order>) -> v1::QuoteOrderResponse {
    let request = v1::QuoteOrderRequest {
        parent: PARENT.into(),
        order_id: id.into(),
        order,
        as_of_time: minutes_in(60),
        future_count: 200,
        seed: 1,
        ..Default::default()
    };
    QuoteServiceClient::new(server.channel()).quote_order(request).await.expect("a quote").into_inner()
}

async fn chance(server: &TestServer, setting: &str) -> v1::chances::Chance {
    let request = v1::GetChancesRequest { parent: PARENT.into(), as_of_time: minutes_in(60) };
    let answer = ExplainServiceClient::new(server.channel()).get_chances(request).await.expect("chances").into_inner();
    answer.chances.into_iter().find(|own| own.setting == setting).expect("a setting that says a chance")
}

async fn work(server: &TestServer, operation: &str, at: i64, event: Event) {
    let request = v1::RecordWorkRequest {
        order: format!("{PARENT}/orders/r-1"),
        operation: operation.into(),
        event_time: minutes_in(at),
        event: Some(event),
        ..Default::default()
    };
    server.floor().record_work(request).await.expect("is recorded");
}

/// Returns an order whose attended work takes so many percent of what is booked, at least and at most.
fn spread(low: i64, high: i64) -> v1::Order {
    let mut order = small_order();
    for operation in &mut order.operations[..2] {
        let booked = operation.work.map_or(0, |work| work.seconds / 60);
        (operation.low_work, operation.high_work) = (minutes(booked * low / 100), minutes(booked * high / 100));
    }
    order
}

async fn hours_and_chances(server: TestServer) {
    // Nothing but the hours varies.
    let sure = v1::PlanningSettings {
        late_part_percent: Some(0),
        late_approval_percent: Some(0),
        hidden_damage_percent: Some(0),
        failed_check_percent: Some(0),
        absence_percent: Some(0),
        ..Default::default()
    };
    server.create_shop("main", v1::Shop { settings: Some(sure), ..small_shop() }).await;
    server.create_order("r-1", spread(100, 100)).await;
    let plan = server.plan(2).await.name;
    let publish = v1::PublishPlanRequest { name: plan, ..Default::default() };
    server.plans().publish_plan(publish).await.expect("is published");

    // Both ends are refused at once, by their paths.
    let mut wrong = spread(120, 90);
    wrong.operations[2].high_work = minutes(90);
    let create = v1::CreateOrderRequest {
        parent: PARENT.into(),
        order_id: "r-2".into(),
        order: Some(wrong),
        ..Default::default()
    };
    let told = faults(server.orders().create_order(create).await);
    let paths: Vec<&str> = told.iter().filter_map(|fault| fault.split(": ").next()).collect();
    let expected = [(0, "low_work"), (0, "high_work"), (1, "low_work"), (1, "high_work"), (2, "high_work")];
    assert_eq!(paths, expected.map(|(index, field)| format!("order.operations[{index}].{field}")), "{told:?}");

    // What is known does not vary; what says the shop's own shares varies as if it said nothing.
    let known = quoted(&server, "r-2", Some(spread(100, 100))).await;
    assert_eq!(known.quotes[0].earliest_time, known.quotes[0].safe_time);
    let silent = quoted(&server, "r-2", Some(small_order())).await;
    assert_ne!(silent.quotes[0].earliest_time, silent.quotes[0].safe_time);
    assert_eq!(silent, quoted(&server, "r-2", Some(spread(80, 160))).await);
    // What is entered is quoted as what is only shown.
    let entered = server.create_order("r-2", spread(50, 400)).await;
    assert_eq!((entered.operations[0].low_work, entered.operations[0].high_work), (minutes(90), minutes(720)));
    let wide = quoted(&server, "r-2", None).await;
    assert_eq!(wide.quotes, quoted(&server, "r-2", Some(spread(50, 400))).await.quotes);
    assert!(!wide.learned);

    // Three hours were booked and six clocked: 20 settings and one operation.
    assert_eq!(chance(&server, "work_high_percent").await.used_value, 160.0);
    let on = v1::ClockOn { technicians: vec!["ada".into()], bay: "stall-1".into() };
    work(&server, "repair", -360, Event::On(on)).await;
    work(&server, "repair", 0, Event::Finish(v1::Finish {})).await;
    let high = chance(&server, "work_high_percent").await;
    assert_eq!((high.set_value, high.seen_count, high.hit_count), (160.0, Some(1), None));
    assert!(160.0 < high.used_value && high.used_value < 180.0, "{high:?}");
    assert!(quoted(&server, "r-2", None).await.learned);

    // As set, where the shop says so.
    let shop = v1::Shop {
        name: PARENT.into(),
        settings: Some(v1::PlanningSettings { learned_percent: Some(0), ..sure }),
        ..Default::default()
    };
    let update = v1::UpdateShopRequest { shop: Some(shop), ..Default::default() };
    server.shops().update_shop(update).await.expect("is changed");
    let high = chance(&server, "work_high_percent").await;
    assert_eq!((high.used_value, high.seen_count), (160.0, Some(1)));
    assert!(!quoted(&server, "r-2", None).await.learned);
    server.stop().await.expect("the server stops in order");
}

/// Sixteen days after the shop entered its first order six cars have come: a quote makes room for more like them, and says
/// how many. On the first day it knows of no trade.
#[tokio::test(flavor = "multi_thread")]
async fn a_quote_makes_room_for_the_trade_that_is_known() {
    const DAY: i64 = 1440;
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    for number in 0..6 {
        let order = v1::Order {
            arrival_time: minutes_in(2 * number * DAY + 60),
            promise_time: minutes_in(20 * DAY),
            arrived: true,
            ..small_order()
        };
        server.create_order(&format!("r-{number}"), order).await;
    }
    let plan = server.plan(2).await.name;
    let publish = v1::PublishPlanRequest { name: plan, ..Default::default() };
    server.plans().publish_plan(publish).await.expect("is published");
    assert_eq!(quoted(&server, "r-9", Some(small_order())).await.orders_per_week, 0.0);
    let request = v1::QuoteOrderRequest {
        parent: PARENT.into(),
        order_id: "r-9".into(),
        order: Some(small_order()),
        as_of_time: minutes_in(16 * DAY),
        future_count: 200,
        ..Default::default()
    };
    let ask = async || {
        let request = request.clone();
        QuoteServiceClient::new(server.channel()).quote_order(request).await.expect("a quote").into_inner()
    };
    let answer = ask().await;
    assert!((2.5..2.8).contains(&answer.orders_per_week), "{}", answer.orders_per_week);
    assert_eq!(answer.told_count, 0);
    let quote = &answer.quotes[0];
    let seconds = |time: &Option<prost_types::Timestamp>| time.as_ref().map(|time| time.seconds);
    let dates = [&quote.likely_time, &quote.p80_time, &quote.safe_time].map(seconds);
    assert!(dates.is_sorted() && dates.iter().all(Option::is_some), "{quote:?}");
    assert_eq!(answer, ask().await, "the same question has the same answer");
    server.stop().await.expect("the server stops in order");
}

#[tokio::test(flavor = "multi_thread")]
async fn hours_and_chances_on_sqlite() {
    hours_and_chances(TestServer::start().await).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hours_and_chances_on_postgres() {
    let Some(cluster) = cluster::shared() else { return };
    let database = cluster.url("fitup", "postgres");
    hours_and_chances(TestServer::start_with(move |config| config.database = Some(database)).await).await;
}
