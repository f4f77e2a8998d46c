//! What has happened, over a socket: how much of a published plan the next one keeps.

use fitup_proto::v1;
use fitup_proto::v1::explain_service_client::ExplainServiceClient;
use fitup_tests::server::{TestServer, minutes, order_beyond_the_horizon, small_order, small_shop};

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

/// Goal: of an order that is left out the rules are told that leave it no place together, and are what they are said to be.
/// Method: a part comes after the end of the plan; without the part there is a place, and without the end of the plan there
/// would be one. An order that has a place tells no rules.
#[tokio::test]
async fn an_order_that_is_left_out_tells_the_rules_in_its_way() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-good", small_order()).await;
    let beyond = server.create_order("r-beyond", order_beyond_the_horizon()).await;
    let plan = server.plan(2).await;
    let why = async |order: &str| {
        let name = format!("shops/main/orders/{order}");
        let request = v1::ExplainOrderRequest { name, ..Default::default() };
        ExplainServiceClient::new(server.channel()).explain_order(request).await.expect("is explained").into_inner()
    };
    let found = why("r-beyond").await;
    assert_eq!((&found.plan, found.stale), (&plan.name, false));
    assert_eq!(found.left_out, plan.left_out.first().cloned());
    assert!(found.completion_time.is_none() && found.chain.is_empty() && found.levers.is_empty());
    let conflict = found.conflict.expect("rules are in the way");
    assert!(conflict.minimal, "{conflict:?}");
    assert_eq!(conflict.rules.len(), 2, "{conflict:?}");
    assert!(conflict.rules[0].starts_with("all ends by the end of the plan, "), "{conflict:?}");
    assert_eq!(conflict.rules[1], "the part \"hood\" is expected");
    // The rule is given up: there is a place.
    let mut there = v1::Order { etag: String::new(), ..beyond };
    there.parts[0].received = true;
    there.parts[0].expected_time = None;
    let request = v1::UpdateOrderRequest { order: Some(there), ..Default::default() };
    server.orders().update_order(request).await.expect("is changed");
    server.plan(2).await;
    let found = why("r-beyond").await;
    assert!(found.left_out.is_none() && found.conflict.is_none() && found.completion_time.is_some(), "{found:?}");
}
