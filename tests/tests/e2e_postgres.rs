//! Several servers on one PostgreSQL database. Skipped, and said so, where there is no PostgreSQL to test with.

#[allow(dead_code, reason = "the tests of the store stop it too")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use std::time::Duration;

use fitup_proto::v1;
use fitup_proto::v1::plan_run::State;
use fitup_tests::server::{TestServer, refused, small_order, small_shop};
use tonic::Code;

async fn server(database: &str) -> TestServer {
    let database = database.to_owned();
    TestServer::start_with(move |config| config.database = Some(database)).await
}

#[tokio::test]
async fn servers_of_one_database_are_one_service() {
    let Some(cluster) = cluster::shared() else { return };
    let database = cluster.url("fitup", "postgres");
    let (first, second) = (server(&database).await, server(&database).await);

    // What one has answered the other knows, and a repeat of a request is one, whoever gets it.
    let request = v1::CreateShopRequest {
        shop_id: "main".into(),
        shop: Some(small_shop()),
        request_id: "6f9619ff-8b86-4d01-b42d-00cf4fc964ff".into(),
        validate_only: false,
    };
    let entered = first.shops().create_shop(request.clone()).await.unwrap().into_inner();
    assert_eq!(second.shops().create_shop(request.clone()).await.unwrap().into_inner(), entered);
    let other = v1::CreateShopRequest { shop_id: "other".into(), ..request };
    refused(second.shops().create_shop(other).await, Code::InvalidArgument, "REQUEST_ID_REUSED");
    second.create_order("r-1", small_order()).await;

    // A run that was asked for at one is seen at both, and its plan too, whichever works on it.
    let run = first.create_run(2).await;
    let (here, there) = tokio::join!(first.watch(&run), second.watch(&run));
    let (here, there) = (here.unwrap().pop().unwrap(), there.unwrap().pop().unwrap());
    assert_eq!(here, there);
    assert_eq!(here.state(), State::Succeeded, "{here:?}");
    let plan = second.plans().get_plan(v1::GetPlanRequest { name: here.plan }).await.unwrap().into_inner();
    assert_eq!(plan.orders.len(), 1);

    // A server that starts takes nothing from one that works.
    let run = second.create_run(3).await;
    second.watch_for_a_plan(&run).await;
    let third = server(&database).await;
    let last = third.watch(&run).await.unwrap().pop().unwrap();
    assert_eq!(last.state(), State::Succeeded, "{last:?}");

    for server in [first, second, third] {
        server.stop().await.unwrap();
    }
}

#[tokio::test]
async fn a_server_without_plan_runs_leaves_them_to_others() {
    // Servers of the other test would take the run.
    let Some(cluster) = cluster::Cluster::start_new() else { return };
    let database = cluster.url("fitup", "postgres");
    let shared = database.clone();
    let desk = TestServer::start_with(move |config| {
        config.database = Some(shared);
        config.plan_runs = 0;
    });
    let desk = desk.await;
    desk.create_shop("main", small_shop()).await;
    desk.create_order("r-1", small_order()).await;
    let run = desk.create_run(2).await;
    tokio::time::sleep(Duration::from_millis(600)).await;
    let get = v1::GetPlanRunRequest { name: run.name.clone() };
    let waiting = desk.plans().get_plan_run(get).await.unwrap().into_inner();
    assert_eq!(waiting.state(), State::Queued, "nobody plans yet");
    let planner = server(&database).await;
    let last = desk.watch(&run).await.unwrap().pop().unwrap();
    assert_eq!(last.state(), State::Succeeded, "{last:?}");
    for server in [desk, planner] {
        server.stop().await.unwrap();
    }
}
