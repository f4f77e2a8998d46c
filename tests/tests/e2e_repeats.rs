//! Requests that are sent again: the first answer comes again, whatever has happened in between.

use fitup_proto::v1;
use fitup_tests::server::{TestServer, faults, refused, small_order, small_shop};
use tonic::Code;
use uuid::Uuid;

fn create_order(id: &str, request_id: &str) -> v1::CreateOrderRequest {
    v1::CreateOrderRequest {
        parent: "shops/main".into(),
        order_id: id.into(),
        order: Some(small_order()),
        request_id: request_id.into(),
        ..Default::default()
    }
}

#[tokio::test]
async fn a_repeat_gets_the_first_answer_also_after_a_restart() {
    let server = TestServer::start().await;
    let ids: Vec<String> = (0..8).map(|_| Uuid::new_v4().to_string()).collect();
    let create_shop = v1::CreateShopRequest {
        shop_id: "main".into(),
        shop: Some(small_shop()),
        request_id: ids[0].clone(),
        ..Default::default()
    };
    let shop = server.shops().create_shop(create_shop.clone()).await.unwrap().into_inner();
    let order = server.orders().create_order(create_order("r-1", &ids[1])).await.unwrap().into_inner();
    let change = v1::UpdateOrderRequest {
        order: Some(v1::Order { name: order.name.clone(), note: "one".into(), ..Default::default() }),
        request_id: ids[2].clone(),
        ..Default::default()
    };
    let changed = server.orders().update_order(change.clone()).await.unwrap().into_inner();
    let cancel = v1::CancelOrderRequest { name: order.name.clone(), request_id: ids[3].clone(), ..Default::default() };
    let cancelled = server.orders().cancel_order(cancel.clone()).await.unwrap().into_inner();
    let run =
        v1::CreatePlanRunRequest { parent: "shops/main".into(), request_id: ids[4].clone(), ..Default::default() };
    let created_run = server.plans().create_plan_run(run.clone()).await.unwrap().into_inner();
    let last = server.watch(&created_run).await.unwrap().pop().unwrap();
    let publish = v1::PublishPlanRequest { name: last.plan.clone(), request_id: ids[5].clone() };
    let published = server.plans().publish_plan(publish.clone()).await.unwrap().into_inner();
    let stop = v1::CancelPlanRunRequest { name: created_run.name.clone(), request_id: ids[6].clone() };
    let stopped = server.plans().cancel_plan_run(stop.clone()).await.unwrap().into_inner();

    let server = server.restart().await;
    assert_eq!(server.shops().create_shop(create_shop).await.unwrap().into_inner(), shop);
    // The order is cancelled by now, and could neither be entered nor changed.
    assert_eq!(server.orders().create_order(create_order("r-1", &ids[1])).await.unwrap().into_inner(), order);
    assert_eq!(server.orders().update_order(change).await.unwrap().into_inner(), changed);
    assert_eq!(server.orders().cancel_order(cancel).await.unwrap().into_inner(), cancelled);
    assert_eq!(server.plans().create_plan_run(run).await.unwrap().into_inner(), created_run);
    assert_eq!(server.plans().publish_plan(publish).await.unwrap().into_inner(), published);
    assert_eq!(server.plans().cancel_plan_run(stop).await.unwrap().into_inner(), stopped);
    let runs = v1::ListPlanRunsRequest { parent: "shops/main".into(), ..Default::default() };
    assert_eq!(server.plans().list_plan_runs(runs).await.unwrap().into_inner().plan_runs.len(), 1);

    let delete = v1::DeleteShopRequest { name: "shops/main".into(), request_id: ids[7].clone(), ..Default::default() };
    server.shops().delete_shop(delete.clone()).await.unwrap();
    server.shops().delete_shop(delete).await.unwrap();
    assert_eq!(server.orders().create_order(create_order("r-1", &ids[1])).await.unwrap().into_inner(), order);
}

#[tokio::test]
async fn the_same_id_with_other_content_is_refused() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let id = Uuid::new_v4().to_string();
    server.orders().create_order(create_order("r-1", &id)).await.unwrap();
    let other = server.orders().create_order(create_order("r-2", &id)).await;
    let details = refused(other, Code::InvalidArgument, "REQUEST_ID_REUSED");
    assert_eq!(details.bad_request().unwrap().field_violations[0].field, "request_id");
    let other_method =
        v1::CancelOrderRequest { name: "shops/main/orders/r-1".into(), request_id: id.clone(), ..Default::default() };
    refused(server.orders().cancel_order(other_method.clone()).await, Code::InvalidArgument, "REQUEST_ID_REUSED");
    let server = server.restart().await;
    refused(server.orders().cancel_order(other_method).await, Code::InvalidArgument, "REQUEST_ID_REUSED");
    let list = v1::ListOrdersRequest { parent: "shops/main".into(), ..Default::default() };
    let orders = server.orders().list_orders(list).await.unwrap().into_inner().orders;
    assert_eq!((orders.len(), orders[0].state()), (1, v1::order::State::Open));
}

#[tokio::test]
async fn a_refused_request_may_be_corrected_under_the_same_id() {
    let server = TestServer::start().await;
    let id = Uuid::new_v4().to_string();
    refused(server.orders().create_order(create_order("r-1", &id)).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    server.create_shop("main", small_shop()).await;
    server.orders().create_order(create_order("r-1", &id)).await.unwrap();
}

#[tokio::test]
async fn repeats_at_the_same_time_make_one_change() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let id = Uuid::new_v4().to_string();
    let calls: Vec<_> = (0..8)
        .map(|_| {
            let (mut orders, request) = (server.orders(), create_order("r-1", &id));
            tokio::spawn(async move { orders.create_order(request).await.map(|answer| answer.into_inner()) })
        })
        .collect();
    let mut answers = Vec::new();
    for call in calls {
        answers.push(call.await.unwrap().unwrap());
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]));
}

#[tokio::test]
async fn request_ids_are_uuids() {
    let server = TestServer::start().await;
    let found = faults(server.orders().create_order(create_order("r-1", "once")).await);
    assert!(found[0].starts_with("request_id: is no UUID"), "{found:?}");
}
