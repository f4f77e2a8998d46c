//! What holds for every call: health, reflection, limits, deadlines, an orderly end.

use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::plan_run::State;
use fitup_tests::server::{TestServer, enter_busy_shop, refused, small_order, small_shop};
use tokio_stream::StreamExt;
use tonic::{Code, Request};
use tonic_health::pb::health_client::HealthClient;
use tonic_health::pb::{HealthCheckRequest, health_check_response::ServingStatus};
use tonic_reflection::pb::v1::ServerReflectionRequest;
use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
use tonic_reflection::pb::v1::server_reflection_request::MessageRequest;
use tonic_reflection::pb::v1::server_reflection_response::MessageResponse;
use uuid::Uuid;

#[tokio::test]
async fn health_is_told_for_the_server_and_each_service() {
    let server = TestServer::start().await;
    let mut health = HealthClient::new(server.channel());
    for service in
        ["", "fitup.v1.ShopService", "fitup.v1.OrderService", "fitup.v1.PlanService", "fitup.v1.IntakeService"]
    {
        let answer = health.check(HealthCheckRequest { service: service.into() }).await.unwrap().into_inner();
        assert_eq!(answer.status(), ServingStatus::Serving, "{service}");
    }
    let mut watch = health.watch(HealthCheckRequest::default()).await.unwrap().into_inner();
    assert_eq!(watch.message().await.unwrap().unwrap().status(), ServingStatus::Serving);
    let asked = Instant::now();
    let stopping = tokio::spawn(server.stop());
    assert_eq!(watch.message().await.unwrap().unwrap().status(), ServingStatus::NotServing);
    stopping.await.unwrap().unwrap();
    // Those who watch the health hold nobody up.
    assert!(asked.elapsed() < Duration::from_secs(3), "{:?}", asked.elapsed());
}

#[tokio::test]
async fn reflection_lists_the_services() {
    let server = TestServer::start().await;
    let request = ServerReflectionRequest {
        host: String::new(),
        message_request: Some(MessageRequest::ListServices(String::new())),
    };
    let mut reflection = ServerReflectionClient::new(server.channel());
    let answers = reflection.server_reflection_info(tokio_stream::once(request)).await.unwrap();
    let answer = answers.into_inner().next().await.unwrap().unwrap();
    let Some(MessageResponse::ListServicesResponse(list)) = answer.message_response else { panic!("{answer:?}") };
    let names: Vec<&str> = list.service.iter().map(|service| service.name.as_str()).collect();
    for service in [
        "fitup.v1.ShopService",
        "fitup.v1.OrderService",
        "fitup.v1.PlanService",
        "fitup.v1.IntakeService",
        "grpc.health.v1.Health",
    ] {
        assert!(names.contains(&service), "{service} is not in {names:?}");
    }
}

#[tokio::test]
async fn what_the_transport_refuses_has_a_reason_too() {
    let server = TestServer::start().await;
    let mut grpc = tonic::client::Grpc::new(server.channel());
    grpc.ready().await.unwrap();
    let codec = tonic_prost::ProstCodec::<v1::GetShopRequest, v1::Shop>::default();
    let path = tonic::codegen::http::uri::PathAndQuery::from_static("/fitup.v1.ShopService/PaintShop");
    let answer = grpc.unary(Request::new(v1::GetShopRequest::default()), path, codec).await;
    refused(answer, Code::Unimplemented, "METHOD_UNKNOWN");

    // A message of another kind: field 1 is a text, not a message.
    let codec = tonic_prost::ProstCodec::<v1::GetShopRequest, v1::Shop>::default();
    let path = tonic::codegen::http::uri::PathAndQuery::from_static("/fitup.v1.ShopService/UpdateShop");
    grpc.ready().await.unwrap();
    let odd = v1::GetShopRequest { name: "not a shop at all".into() };
    refused(grpc.unary(Request::new(odd), path, codec).await, Code::InvalidArgument, "MESSAGE_MALFORMED");

    let mut shop = small_shop();
    shop.display_name = "x".repeat(2 * 1024 * 1024);
    let request = v1::CreateShopRequest { shop_id: "main".into(), shop: Some(shop), ..Default::default() };
    refused(server.shops().create_shop(request).await, Code::OutOfRange, "MESSAGE_TOO_LARGE");
    // The connection lives on.
    server.create_shop("main", small_shop()).await;
}

#[tokio::test]
async fn a_deadline_ends_a_call_and_a_repeat_tells_what_became_of_it() {
    let server = TestServer::start().await;
    let create = || v1::CreateShopRequest {
        shop_id: "main".into(),
        shop: Some(small_shop()),
        request_id: "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44".into(),
        ..Default::default()
    };
    let mut hurried = Request::new(create());
    hurried.set_timeout(Duration::from_micros(1));
    let status = server.shops().create_shop(hurried).await.unwrap_err();
    assert!(matches!(status.code(), Code::DeadlineExceeded | Code::Cancelled), "{status:?}");
    server.shops().create_shop(create()).await.unwrap();
    server.shops().create_shop(create()).await.unwrap();
    let listed = server.shops().list_shops(v1::ListShopsRequest::default()).await.unwrap().into_inner();
    assert_eq!(listed.shops.len(), 1);
}

#[tokio::test]
async fn a_run_under_way_ends_with_its_best_plan_when_the_server_stops() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let run = server.create_run(600).await;
    server.watch_for_a_plan(&run).await;
    let waiting = server.create_run(1).await;
    let watch = |name: &str| {
        let (mut plans, name) = (server.plans(), name.to_owned());
        async move {
            let mut stream = plans.watch_plan_run(v1::WatchPlanRunRequest { name }).await?.into_inner();
            let mut last = None;
            while let Some(state) = stream.message().await? {
                last = Some(state);
            }
            Ok(last)
        }
    };
    let (running, queued) = (tokio::spawn(watch(&run.name)), tokio::spawn(watch(&waiting.name)));
    tokio::time::sleep(Duration::from_millis(100)).await;
    let asked = Instant::now();
    let server = server.restart().await;
    assert!(asked.elapsed() < Duration::from_secs(4), "{:?}", asked.elapsed());

    // Who watched it saw its end; who watched the one that waits is told to come back.
    let last = running.await.unwrap().unwrap().unwrap();
    assert_eq!(last.state(), State::Succeeded);
    let found = server.plans().get_plan_run(v1::GetPlanRunRequest { name: run.name }).await.unwrap().into_inner();
    assert_eq!(found, last);
    server.plans().get_plan(v1::GetPlanRequest { name: last.plan }).await.unwrap();
    let details = refused(queued.await.unwrap(), Code::Unavailable, "SHUTTING_DOWN");
    assert!(details.retry_info().is_some());

    // The next server works on it.
    let last = server.watch(&waiting).await.unwrap().pop().unwrap();
    assert_eq!(last.state(), State::Succeeded);
}

#[tokio::test]
async fn everything_is_there_after_a_restart() {
    let server = TestServer::start().await;
    let shop = server.create_shop("main", small_shop()).await;
    let order = server.create_order("r-1", small_order()).await;
    let plan = server.plan(2).await;
    let server = server.restart().await;
    let found = server.shops().get_shop(v1::GetShopRequest { name: shop.name.clone() }).await.unwrap().into_inner();
    assert_eq!(found, v1::Shop { revision: found.revision, ..shop });
    let found = server.orders().get_order(v1::GetOrderRequest { name: order.name.clone() }).await.unwrap();
    assert_eq!(found.into_inner(), order);
    let found = server.plans().get_plan(v1::GetPlanRequest { name: plan.name.clone() }).await.unwrap();
    assert_eq!(found.into_inner(), plan);
}

#[tokio::test]
async fn writers_at_the_same_time_all_get_their_turn() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let calls: Vec<_> = (0..24)
        .map(|number| {
            let mut orders = server.orders();
            let request = v1::CreateOrderRequest {
                parent: "shops/main".into(),
                order_id: format!("r-{number}"),
                order: Some(small_order()),
                request_id: Uuid::new_v4().to_string(),
                ..Default::default()
            };
            tokio::spawn(async move { orders.create_order(request).await })
        })
        .collect();
    for call in calls {
        call.await.unwrap().unwrap();
    }
    let shop = server.shops().get_shop(v1::GetShopRequest { name: "shops/main".into() }).await.unwrap().into_inner();
    assert_eq!(shop.revision, 25);
}
