//! The floor end to end, on both databases: events, what they hit, answers, publishing, undo.

#[allow(dead_code, reason = "the tests of the store stop it too")]
#[path = "../../services/store/tests/contract/cluster.rs"]
mod cluster;

use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;
use fitup_tests::server::{TestServer, faults, minutes, minutes_in, refused, small_order, small_shop};
use tonic::{Code, Status};

const PARENT: &str = "shops/main";

async fn work(server: &TestServer, operation: &str, event: Event, id: &str) -> Result<v1::FloorRecord, Status> {
    let request = v1::RecordWorkRequest {
        order: format!("{PARENT}/orders/r-1"),
        operation: operation.into(),
        event_time: minutes_in(0),
        event: Some(event),
        request_id: id.into(),
    };
    server.floor().record_work(request).await.map(tonic::Response::into_inner)
}

async fn impact(server: &TestServer) -> Result<v1::Impact, Status> {
    let request = v1::GetImpactRequest { parent: PARENT.into(), as_of_time: minutes_in(0) };
    server.floor().get_impact(request).await.map(tonic::Response::into_inner)
}

async fn replan(server: &TestServer, request_id: &str) -> v1::ReplanResponse {
    let request = v1::ReplanRequest {
        parent: PARENT.into(),
        as_of_time: minutes_in(0),
        iteration_limit: 200,
        request_id: request_id.into(),
        ..Default::default()
    };
    server.replans().replan(request).await.expect("answers").into_inner()
}

fn part(state: v1::SupplyState, expected: i64) -> v1::RecordPartRequest {
    v1::RecordPartRequest {
        order: format!("{PARENT}/orders/r-1"),
        part: "panel".into(),
        event_time: minutes_in(0),
        state: state.into(),
        expected_time: minutes_in(expected),
        ..Default::default()
    }
}

async fn a_morning(server: TestServer) {
    server.create_shop("main", small_shop()).await;
    let mut order = small_order();
    order.parts = vec![v1::Part { id: "panel".into(), expected_time: minutes_in(30), ..Default::default() }];
    order.operations[1].needs = vec!["panel".into()];
    server.create_order("r-1", order).await;
    server.create_order("r-2", small_order()).await;
    refused(impact(&server).await, Code::FailedPrecondition, "STATE_FORBIDS");
    let first = server.plan(2).await;
    let publish = async |name: &str| {
        let request = v1::PublishPlanRequest { name: name.into(), ..Default::default() };
        server.plans().publish_plan(request).await.map(tonic::Response::into_inner)
    };
    publish(&first.name).await.expect("is published");
    let calm = impact(&server).await.expect("an impact");
    assert!(!calm.stale && calm.hits.is_empty(), "{calm:?}");

    // A repeat is one event; another with its id is refused.
    let id = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e44";
    // Nobody and no bay named: those of the plan.
    let on = || Event::On(v1::ClockOn::default());
    let record = work(&server, "repair", on(), id).await.expect("is recorded");
    assert_eq!(work(&server, "repair", on(), id).await.expect("is repeated"), record);
    refused(
        work(&server, "repair", Event::Finish(v1::Finish {}), id).await,
        Code::InvalidArgument,
        "REQUEST_ID_REUSED",
    );
    let busy = work(&server, "repair", on(), "").await;
    refused(busy, Code::FailedPrecondition, "STATE_FORBIDS");
    let unknown = faults(work(&server, "repain", on(), "").await);
    assert!(unknown[0].starts_with("operation: order \"r-1\" has no operation \"repain\""), "{unknown:?}");
    let none = v1::RecordWorkRequest { order: format!("{PARENT}/orders/r-1"), ..Default::default() };
    assert_eq!(faults(server.floor().record_work(none).await), ["event: is required"]);
    let ahead = v1::RecordWorkRequest {
        order: format!("{PARENT}/orders/r-1"),
        operation: "repair".into(),
        event_time: minutes_in(600),
        event: Some(on()),
        ..Default::default()
    };
    assert!(faults(server.floor().record_work(ahead).await)[0].starts_with("event_time: lies ahead"));

    // The part slips: the plan is stale, and the impact says whom it hits.
    server.floor().record_part(part(v1::SupplyState::Wrong, 2 * 1440)).await.expect("is recorded");
    let hit = impact(&server).await.expect("an impact");
    assert!(hit.stale && hit.hits.iter().any(|hit| hit.order.ends_with("/r-1")), "{hit:?}");
    let published = server.plans().get_plan(v1::GetPlanRequest { name: first.name.clone() }).await;
    assert!(published.expect("the plan").into_inner().stale);

    // Answers are proposals; a repeat makes no others.
    let id = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e45";
    let answers = replan(&server, id).await;
    assert_eq!(replan(&server, id).await, answers);
    let least = &answers.answers[0];
    let plan = least.plan.clone().expect("a plan");
    assert_eq!((least.kind(), plan.state()), (v1::answer::Kind::LeastChange, v1::plan::State::Proposed));
    assert_eq!(answers.published_plan, first.name);
    publish(&plan.name).await.expect("is published");
    let diff = v1::DiffPlansRequest { before: first.name.clone(), after: plan.name.clone() };
    let diff = server.replans().diff_plans(diff).await.expect("a difference").into_inner();
    let spray = diff.operations.iter().find(|change| change.operation == "spray" && change.order.ends_with("/r-1"));
    let reason = spray.and_then(|change| change.reason.clone()).expect("a reason");
    assert_eq!((reason.kind(), reason.subject.as_str()), (v1::change_reason::Kind::Part, "panel"));
    assert!(diff.promises.iter().any(|change| change.order.ends_with("/r-1")), "{diff:?}");

    // Undo: the first plan sprays before the part is there.
    let id = "3f2b8c1e-58d1-4a6b-9c35-0d6c2f1a7e46";
    let restore = async |name: &str| {
        let request = v1::RestorePlanRequest { name: name.into(), as_of_time: minutes_in(0), request_id: id.into() };
        server.replans().restore_plan(request).await.map(tonic::Response::into_inner)
    };
    let status = restore(&first.name).await.expect_err("is not feasible");
    assert!(status.message().contains("is not feasible today"), "{status:?}");
    server.floor().record_part(part(v1::SupplyState::Received, 0)).await.expect_err("a date for what is there");
    let there = v1::RecordPartRequest { expected_time: None, ..part(v1::SupplyState::Received, 0) };
    server.floor().record_part(there).await.expect("is there");
    let back = restore(&first.name).await.expect("comes back");
    assert_eq!(back.state(), v1::plan::State::Published);
    assert_eq!(
        back.orders.iter().map(|order| order.completion_time).collect::<Vec<_>>(),
        first.orders.iter().map(|order| order.completion_time).collect::<Vec<_>>()
    );

    // A repeat has the first answer, though the part has turned out wrong since.
    server.floor().record_part(part(v1::SupplyState::Damaged, 2 * 1440)).await.expect("is recorded");
    assert_eq!(restore(&first.name).await.expect("is repeated"), back);

    // The list of the day, and what was kept.
    let request = v1::GetDispatchListRequest { parent: PARENT.into(), as_of_time: minutes_in(1) };
    let list = server.floor().get_dispatch_list(request).await.expect("a list").into_inner();
    let lane = list.technicians.iter().find(|lane| lane.id == record.technicians[0]).expect("who is on it");
    let running = lane.entries.iter().find(|entry| entry.state() == v1::dispatch_entry::State::Running);
    assert!(running.is_some_and(|entry| entry.order.ends_with("/r-1")), "{lane:?}");
    let request = v1::ListFloorRecordsRequest { parent: PARENT.into(), page_size: 2, ..Default::default() };
    let page = server.floor().list_floor_records(request.clone()).await.expect("a page").into_inner();
    assert_eq!(page.floor_records[0].kind(), v1::floor_record::Kind::PartDamaged);
    let request = v1::ListFloorRecordsRequest { page_token: page.next_page_token, ..request };
    let page = server.floor().list_floor_records(request).await.expect("the last page").into_inner();
    assert_eq!((page.floor_records.len(), page.next_page_token.as_str()), (2, ""));
    assert_eq!(page.floor_records[1].booked_work, minutes(180));
    server.stop().await.expect("the server stops in order");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_morning_on_sqlite() {
    a_morning(TestServer::start().await).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_morning_on_postgres() {
    let Some(cluster) = cluster::shared() else { return };
    let database = cluster.url("fitup", "postgres");
    a_morning(TestServer::start_with(move |config| config.database = Some(database)).await).await;
}
