//! Every method of the order service over a socket.

use fitup_proto::v1;
use fitup_tests::server::{TestServer, faults, minutes, refused, small_order, small_shop};
use prost_types::FieldMask;
use tonic::{Code, Status};

async fn start() -> TestServer {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server
}

fn named(name: &str) -> v1::GetOrderRequest {
    v1::GetOrderRequest { name: name.into() }
}

fn cancel(name: &str, etag: &str) -> v1::CancelOrderRequest {
    v1::CancelOrderRequest { name: name.into(), etag: etag.into(), ..Default::default() }
}

fn update(order: v1::Order, paths: Option<&[&str]>) -> v1::UpdateOrderRequest {
    let update_mask = paths.map(|paths| FieldMask { paths: paths.iter().map(|path| (*path).to_owned()).collect() });
    v1::UpdateOrderRequest { order: Some(order), update_mask, ..Default::default() }
}

fn order_named(name: &str) -> v1::Order {
    v1::Order { name: name.into(), ..Default::default() }
}

async fn try_create(server: &TestServer, order: v1::Order) -> Result<v1::Order, Status> {
    let request = v1::CreateOrderRequest {
        parent: "shops/main".into(),
        order_id: "r-1".into(),
        order: Some(order),
        ..Default::default()
    };
    server.orders().create_order(request).await.map(|answer| answer.into_inner())
}

#[tokio::test]
async fn an_order_is_entered_read_changed_and_cancelled() {
    let server = start().await;
    let mut orders = server.orders();
    let name = "shops/main/orders/r-1";
    let created = server.create_order("r-1", small_order()).await;
    assert_eq!((created.name.as_str(), created.state()), (name, v1::order::State::Open));
    let expected = v1::Order {
        name: name.into(),
        state: created.state,
        create_time: created.create_time,
        update_time: created.update_time,
        etag: created.etag.clone(),
        ..small_order()
    };
    assert_eq!(created, expected);
    assert_eq!(orders.get_order(named(name)).await.unwrap().into_inner(), created);

    let change = v1::Order { note: "keys in box 4".into(), arrived: true, ..order_named(name) };
    let updated = orders.update_order(update(change, None)).await.unwrap().into_inner();
    assert_eq!((updated.note.as_str(), updated.arrived), ("keys in box 4", true));
    assert_eq!(updated.operations, created.operations);
    assert_ne!(updated.etag, created.etag);

    let cleared = orders.update_order(update(order_named(name), Some(&["promise_time", "note"]))).await;
    let cleared = cleared.unwrap().into_inner();
    assert_eq!((cleared.promise_time, cleared.note.as_str()), (None, ""));

    let cancelled = orders.cancel_order(cancel(name, "")).await.unwrap().into_inner();
    assert_eq!(cancelled.state(), v1::order::State::Cancelled);
    let again = orders.cancel_order(cancel(name, "")).await.unwrap().into_inner();
    assert_eq!(again, cancelled);
    assert_eq!(orders.get_order(named(name)).await.unwrap().into_inner(), cancelled);

    let late = v1::Order { note: "too late".into(), ..order_named(name) };
    let details = refused(orders.update_order(update(late, None)).await, Code::FailedPrecondition, "STATE_FORBIDS");
    assert_eq!(details.precondition_failure().unwrap().violations[0].subject, name);
}

#[tokio::test]
async fn a_stale_etag_is_refused_and_nothing_changes() {
    let server = start().await;
    let mut orders = server.orders();
    let first = server.create_order("r-1", small_order()).await;
    let note = |etag: &str, note: &str| {
        update(v1::Order { etag: etag.into(), note: note.into(), ..order_named(&first.name) }, None)
    };
    let second = orders.update_order(note(&first.etag, "one")).await.unwrap().into_inner();
    refused(orders.update_order(note(&first.etag, "two")).await, Code::Aborted, "ETAG_MISMATCH");
    let check_only = v1::UpdateOrderRequest { validate_only: true, ..note(&first.etag, "two") };
    refused(orders.update_order(check_only).await, Code::Aborted, "ETAG_MISMATCH");
    refused(orders.cancel_order(cancel(&first.name, &first.etag)).await, Code::Aborted, "ETAG_MISMATCH");
    assert_eq!(orders.get_order(named(&first.name)).await.unwrap().into_inner(), second);
    orders.cancel_order(cancel(&first.name, &second.etag)).await.unwrap();
}

#[tokio::test]
async fn orders_count_as_changes_of_their_shop() {
    let server = start().await;
    let mut shops = server.shops();
    let before = shops.get_shop(v1::GetShopRequest { name: "shops/main".into() }).await.unwrap().into_inner();
    server.create_order("r-1", small_order()).await;
    let after = shops.get_shop(v1::GetShopRequest { name: "shops/main".into() }).await.unwrap().into_inner();
    assert_eq!(after.revision, before.revision + 1);
    assert_eq!(after.etag, before.etag);
}

#[tokio::test]
async fn orders_are_listed_by_state_in_pages() {
    let server = start().await;
    let mut orders = server.orders();
    for number in 0..7 {
        server.create_order(&format!("r-{number}"), small_order()).await;
    }
    for number in [1, 4] {
        orders.cancel_order(cancel(&format!("shops/main/orders/r-{number}"), "")).await.unwrap();
    }
    let list = |states: &[v1::order::State], page_size, page_token: &str| v1::ListOrdersRequest {
        parent: "shops/main".into(),
        page_size,
        page_token: page_token.into(),
        states: states.iter().map(|state| (*state).into()).collect(),
    };
    let open = [v1::order::State::Open];
    let first = orders.list_orders(list(&open, 3, "")).await.unwrap().into_inner();
    let second = orders.list_orders(list(&open, 3, &first.next_page_token)).await.unwrap().into_inner();
    let ids = |page: &v1::ListOrdersResponse| {
        page.orders.iter().map(|order| order.name.rsplit('/').next().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(ids(&first), ["r-0", "r-2", "r-3"]);
    assert_eq!((ids(&second), second.next_page_token.as_str()), (vec!["r-5".to_owned(), "r-6".into()], ""));
    let all = orders.list_orders(list(&[], 0, "")).await.unwrap().into_inner();
    assert_eq!(all.orders.len(), 7);

    // A token belongs to its list.
    let other = list(&[v1::order::State::Cancelled], 3, &first.next_page_token);
    refused(orders.list_orders(other).await, Code::InvalidArgument, "PAGE_TOKEN_INVALID");
    server.create_shop("other", small_shop()).await;
    let other = v1::ListOrdersRequest { parent: "shops/other".into(), ..list(&open, 3, &first.next_page_token) };
    refused(orders.list_orders(other).await, Code::InvalidArgument, "PAGE_TOKEN_INVALID");
    let odd = v1::ListOrdersRequest { states: vec![0, 42], ..list(&[], 0, "") };
    assert_eq!(
        faults(orders.list_orders(odd).await),
        ["states[0]: is no state of an order", "states[1]: is no state of an order"]
    );
    let nowhere = v1::ListOrdersRequest { parent: "shops/nowhere".into(), ..Default::default() };
    refused(orders.list_orders(nowhere).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}

#[tokio::test]
async fn checking_only_writes_nothing() {
    let server = start().await;
    let mut orders = server.orders();
    let create = |order| v1::CreateOrderRequest {
        parent: "shops/main".into(),
        order_id: "r-1".into(),
        order: Some(order),
        validate_only: true,
        ..Default::default()
    };
    let checked = orders.create_order(create(small_order())).await.unwrap().into_inner();
    assert_eq!((checked.state(), checked.etag.as_str()), (v1::order::State::Open, ""));
    faults(orders.create_order(create(v1::Order::default())).await);
    refused(orders.get_order(named("shops/main/orders/r-1")).await, Code::NotFound, "RESOURCE_NOT_FOUND");

    let created = server.create_order("r-1", small_order()).await;
    refused(orders.create_order(create(small_order())).await, Code::AlreadyExists, "RESOURCE_EXISTS");
    let mut change = update(v1::Order { note: "x".into(), ..order_named(&created.name) }, None);
    change.validate_only = true;
    assert_eq!(orders.update_order(change).await.unwrap().into_inner().note, "x");
    assert_eq!(orders.get_order(named(&created.name)).await.unwrap().into_inner(), created);
}

/// Goal: every fault of an order gets a clear answer and nothing changes. Method: a good order is broken in one place.
#[tokio::test]
async fn each_fault_of_an_order_is_named() {
    let server = start().await;
    let check = async |break_it: fn(&mut v1::Order), path: &str, message: &str| {
        let mut order = small_order();
        break_it(&mut order);
        let found = faults(try_create(&server, order).await);
        let told = found.iter().any(|fault| fault.starts_with(&format!("{path}: ")) && fault.contains(message));
        assert!(told, "{path} with {message:?} is not in {found:#?}");
    };
    check(|order| order.vehicle.clear(), "order.vehicle", "").await;
    check(|order| order.arrival_time = None, "order.arrival_time", "is required").await;
    check(
        |order| {
            order.promise_time = order.arrival_time.map(|mut t| {
                t.seconds -= 60;
                t
            })
        },
        "order.promise_time",
        "before the arrival",
    )
    .await;
    check(|order| order.operations[0].crew[0] = "frame".into(), "order.operations[0].crew[0]", "no skill \"frame\"")
        .await;
    check(
        |order| order.visits[0].bay_class = "rack".into(),
        "order.visits[0].bay_class",
        "no bay is of class \"rack\"",
    )
    .await;
    check(|order| order.visits[0].bay = "stall-9".into(), "order.visits[0].bay", "no bay \"stall-9\"").await;
    check(
        |order| order.operations[0].equipment = vec![v1::EquipmentNeed { equipment: "bench".into(), count: 1 }],
        "order.operations[0].equipment[0].equipment",
        "no equipment \"bench\"",
    )
    .await;
    check(
        |order| order.operations[0].equipment = vec![v1::EquipmentNeed { equipment: "welder".into(), count: 2 }],
        "order.operations[0].equipment[0].count",
        "2 of 1",
    )
    .await;
    // An operation that no technician can do: nobody is there twice.
    check(
        |order| order.operations[1].crew = vec!["paint".into(), "paint".into()],
        "order.operations[1].crew",
        "2 different technicians",
    )
    .await;
    check(|order| order.operations[0].work = minutes(-60), "order.operations[0].work", "must not be negative").await;
    check(|order| order.operations[0].work = minutes(60 * 1000), "order.operations[0].work", "at most").await;
    check(|order| order.operations[0].work = None, "order.operations[0].work", "is required").await;
    // Longer than any opening, and not to be interrupted.
    check(|order| order.operations[1].work = minutes(10 * 60), "order.operations[1].work", "must not stop").await;
    check(
        |order| order.links.push(v1::Link { from: "bake".into(), to: "repair".into(), ..Default::default() }),
        "order.links",
        "wait for one another",
    )
    .await;
    check(|order| order.links[0].to = "polish".into(), "order.links[0].to", "no operation \"polish\"").await;
    check(
        |order| (order.links[1].min_wait, order.links[1].max_wait) = (minutes(60), minutes(30)),
        "order.links[1].max_wait",
        "shorter than the shortest wait",
    )
    .await;
    check(|order| order.operations[2].id = "spray".into(), "order.operations[2].id", "twice").await;
    check(|order| order.operations[0].visit = "rack".into(), "order.operations[0].visit", "no visit \"rack\"").await;
    check(
        |order| order.operations[0].needs = vec!["door".into()],
        "order.operations[0].needs[0]",
        "no part or approval",
    )
    .await;
    check(|order| order.operations[0].hazards = vec![77], "order.operations[0].hazards[0]", "no hazard").await;
    check(
        |order| order.operations[0].progress = Some(v1::Progress { state: 1, ..Default::default() }),
        "order.operations[0].progress.start_time",
        "is required",
    )
    .await;
    check(|order| order.operations.clear(), "order.operations", "at least one operation").await;
    check(|order| order.late_weight = Some(-3), "order.late_weight", "must not be negative").await;

    let listed = v1::ListOrdersRequest { parent: "shops/main".into(), ..Default::default() };
    assert_eq!(server.orders().list_orders(listed).await.unwrap().into_inner().orders, []);
}

#[tokio::test]
async fn all_faults_of_an_order_are_told_at_once() {
    let server = start().await;
    let mut order = small_order();
    order.vehicle.clear();
    order.operations[0].work = minutes(-1);
    order.operations[1].crew[0] = "frame".into();
    order.links[0].to = "polish".into();
    let found = faults(try_create(&server, order).await);
    for path in ["order.vehicle", "order.operations[0].work", "order.operations[1].crew[0]", "order.links[0].to"] {
        assert!(found.iter().any(|fault| fault.starts_with(&format!("{path}: "))), "{path} is not in {found:#?}");
    }
}

/// Goal: an answer about very many faults still reaches common clients, whose headers hold 8 KiB.
#[tokio::test]
async fn very_many_faults_are_cut_short_and_counted() {
    let server = start().await;
    let mut order = small_order();
    let odd = |number| v1::Operation { id: format!("step-{number}"), crew: vec!["frame".into()], ..Default::default() };
    order.operations.extend((0..500).map(odd));
    let status = try_create(&server, order).await.unwrap_err();
    assert!(status.details().len() < 6 * 1024, "{}", status.details().len());
    let found = faults::<()>(Err(status));
    assert!(found.len() > 20, "{}", found.len());
    assert!(found.last().unwrap().ends_with("more faults are not listed"), "{:?}", found.last());
}

#[tokio::test]
async fn names_are_checked_and_missing_resources_named() {
    let server = start().await;
    let mut orders = server.orders();
    let found = faults(orders.get_order(named("shops/main/order/r-1")).await);
    assert!(found[0].ends_with("has not the format shops/{shop}/orders/{order}"), "{found:?}");
    let missing = refused(orders.get_order(named("shops/main/orders/r-9")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    assert_eq!(missing.resource_info().unwrap().resource_name, "shops/main/orders/r-9");
    let nowhere = v1::CreateOrderRequest {
        parent: "shops/nowhere".into(),
        order_id: "r-1".into(),
        order: Some(small_order()),
        ..Default::default()
    };
    let missing = refused(orders.create_order(nowhere).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    assert_eq!(missing.resource_info().unwrap().resource_name, "shops/nowhere");
    server.create_order("r-1", small_order()).await;
    let taken = try_create(&server, small_order()).await;
    refused(taken, Code::AlreadyExists, "RESOURCE_EXISTS");
    let cancelled = orders.cancel_order(cancel("shops/main/orders/r-9", "")).await;
    refused(cancelled, Code::NotFound, "RESOURCE_NOT_FOUND");
}
