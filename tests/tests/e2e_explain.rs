//! What has happened, over a socket: how much of a published plan the next one keeps.

use fitup_proto::v1;
use fitup_proto::v1::explain_service_client::ExplainServiceClient;
use fitup_tests::server::{TestServer, minutes, small_order, small_shop};

/// Goal: plan stability is told. Method: two plans published one after the other, the second after a repair has become so
/// long that what comes after it moves to another day, and what stands beside it stays.
#[tokio::test]
async fn plan_stability_is_what_the_next_plan_keeps() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let order = server.create_order("r-1", small_order()).await;
    server.create_order("r-2", small_order()).await;
    let publish = async || {
        let plan = server.plan(2).await;
        let request = v1::PublishPlanRequest { name: plan.name, ..Default::default() };
        server.plans().publish_plan(request).await.expect("is published");
    };
    let stability = async || {
        let request = v1::GetMeasuresRequest { parent: "shops/main".into(), ..Default::default() };
        let measures = ExplainServiceClient::new(server.channel()).get_measures(request).await.expect("measures");
        measures.into_inner().weeks[0].stability
    };
    publish().await;
    assert_eq!(stability().await, None, "one plan keeps nothing of another");
    let mut longer = v1::Order { etag: String::new(), ..order };
    longer.operations[0].work = minutes(900);
    let request = v1::UpdateOrderRequest { order: Some(longer), ..Default::default() };
    server.orders().update_order(request).await.expect("is changed");
    publish().await;
    let kept = stability().await.expect("both plans have work ahead");
    assert!(kept > 0.0 && kept < 1.0, "{kept}");
}
