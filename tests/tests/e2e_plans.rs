//! Every method of the plan service over a socket.

use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::plan_run::State;
use fitup_tests::server::{
    START, TestServer, enter_busy_shop, faults, minutes, minutes_in, order_beyond_the_horizon, refused, small_order,
    small_shop,
};
use tonic::Code;

fn run_named(name: &str) -> v1::GetPlanRunRequest {
    v1::GetPlanRunRequest { name: name.into() }
}

fn cancel(name: &str) -> v1::CancelPlanRunRequest {
    v1::CancelPlanRunRequest { name: name.into(), ..Default::default() }
}

fn plan_named(name: &str) -> v1::GetPlanRequest {
    v1::GetPlanRequest { name: name.into() }
}

#[tokio::test]
async fn a_shop_is_planned_and_the_plan_read_back() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    for number in 0..3 {
        server.create_order(&format!("r-{number}"), small_order()).await;
    }
    let run = server.create_run(5).await;
    assert_eq!((run.shop_revision, run.plan.as_str()), (4, ""));
    let states = server.watch(&run).await.unwrap();
    let last = states.last().unwrap();
    assert_eq!((last.state(), last.failure.as_str()), (State::Succeeded, ""));
    let prices: Vec<i64> = states.iter().filter_map(|state| state.best_price).collect();
    assert!(prices.is_sorted_by(|a, b| a >= b), "{prices:?}");
    assert!(last.start_time.is_some() && last.end_time.is_some());

    // Watching and getting a run that has ended give its end.
    assert_eq!(server.watch(&run).await.unwrap(), std::slice::from_ref(last));
    assert_eq!(server.plans().get_plan_run(run_named(&run.name)).await.unwrap().into_inner(), *last);

    let plan = server.plans().get_plan(plan_named(&last.plan)).await.unwrap().into_inner();
    assert_eq!((plan.plan_run.as_str(), plan.shop_revision, plan.stale), (run.name.as_str(), 4, false));
    assert_eq!((plan.state(), plan.left_out.len()), (v1::plan::State::Proposed, 0));
    let mut orders: Vec<&str> = plan.orders.iter().map(|order| order.order.as_str()).collect();
    orders.sort_unstable();
    assert_eq!(orders, ["shops/main/orders/r-0", "shops/main/orders/r-1", "shops/main/orders/r-2"]);
    let price = plan.price.unwrap();
    assert_eq!(Some(price.total), last.best_price);
    assert!(plan.bound <= price.total && last.bound == plan.bound);
    assert_eq!(plan.quality(), v1::plan::Quality::Optimal);
    for order in &plan.orders {
        assert_eq!((order.visits.len(), order.operations.len()), (2, 3));
        assert!(order.delays.iter().any(|delay| delay.kind() == v1::delay::Kind::Work));
    }
    let latest = server.plans().get_plan(plan_named("shops/main/plans/-")).await.unwrap().into_inner();
    assert_eq!(latest, plan);
}

#[tokio::test]
async fn a_shop_without_cars_gets_an_empty_optimal_plan() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let plan = server.plan(5).await;
    assert_eq!((plan.orders.len(), plan.left_out.len()), (0, 0));
    assert_eq!((plan.quality(), plan.price.unwrap().total, plan.bound), (v1::plan::Quality::Optimal, 0, 0));
}

#[tokio::test]
async fn what_cannot_be_planned_is_left_out_with_its_reason() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-good", small_order()).await;
    server.create_order("r-beyond", order_beyond_the_horizon()).await;
    let mut early = small_order();
    early.operations[0].pin = Some(v1::Pin { start_time: minutes_in(-1440), ..Default::default() });
    server.create_order("r-early", early).await;
    let plan = server.plan(2).await;
    assert_eq!(plan.orders.len(), 1);
    let found = |order: &str| plan.left_out.iter().find(|left| left.order.ends_with(order)).unwrap();
    let beyond = found("r-beyond");
    assert_eq!((beyond.reason.as_str(), beyond.operation.as_str()), ("BEYOND_HORIZON", "repair"));
    assert!(beyond.message.contains("horizon_days"), "{beyond:?}");
    let early = found("r-early");
    assert_eq!((early.reason.as_str(), early.operation.as_str()), ("PINNED_TOO_EARLY", "repair"));
}

#[tokio::test]
async fn an_order_that_no_longer_fits_its_shop_is_left_out() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-1", small_order()).await;
    let mut shop = small_shop();
    shop.name = "shops/main".into();
    shop.skills.retain(|skill| skill != "paint");
    shop.technicians.retain(|technician| technician.id != "cleo");
    let mask = prost_types::FieldMask { paths: vec!["skills".into(), "technicians".into()] };
    let update = v1::UpdateShopRequest { shop: Some(shop), update_mask: Some(mask), ..Default::default() };
    server.shops().update_shop(update).await.unwrap();
    let plan = server.plan(2).await;
    assert_eq!(plan.orders.len(), 0);
    assert_eq!(plan.left_out[0].reason, "ORDER_DOES_NOT_FIT_SHOP");
    assert!(plan.left_out[0].message.contains("no skill \"paint\""), "{:?}", plan.left_out);
}

/// Goal: a plan tells which one was published before it, not which was made before it. Method: of three plans the last one
/// is published first.
#[tokio::test]
async fn a_plan_tells_which_was_published_before_it() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-1", small_order()).await;
    let plans = [server.plan(1).await, server.plan(1).await, server.plan(1).await].map(|plan| plan.name);
    let replaced =
        async |name: &str| server.plans().get_plan(plan_named(name)).await.unwrap().into_inner().replaced_plan;
    assert_eq!(replaced(&plans[0]).await, "", "it was not published");
    for plan in [&plans[2], &plans[0], &plans[1]] {
        let request = v1::PublishPlanRequest { name: plan.clone(), ..Default::default() };
        server.plans().publish_plan(request).await.expect("is published");
    }
    assert_eq!(replaced("shops/main/plans/-").await, plans[0]);
    assert_eq!(replaced(&plans[0]).await, plans[2]);
    assert_eq!(replaced(&plans[2]).await, "", "nothing was published before");
}

#[tokio::test]
async fn cancelling_keeps_the_best_plan_and_takes_a_moment() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let run = server.create_run(600).await;
    server.watch_for_a_plan(&run).await;
    let asked = Instant::now();
    let ended = server.plans().cancel_plan_run(cancel(&run.name)).await.unwrap().into_inner();
    let took = asked.elapsed();
    assert_eq!(ended.state(), State::Cancelled, "{ended:?}");
    // 50 ms on an idle machine; tests run beside each other.
    assert!(took < Duration::from_millis(1000), "{took:?}");
    let plan = server.plans().get_plan(plan_named(&ended.plan)).await.unwrap().into_inner();
    assert_eq!(plan.price.unwrap().total, ended.best_price.unwrap());
    assert_eq!(plan.orders.len() + plan.left_out.len(), 20);
    // One that has ended stays as it is.
    assert_eq!(server.plans().cancel_plan_run(cancel(&run.name)).await.unwrap().into_inner(), ended);
}

#[tokio::test]
async fn a_run_that_waits_is_cancelled_at_once() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let first = server.create_run(600).await;
    server.watch_for_a_plan(&first).await;
    let second = server.create_run(600).await;
    assert_eq!(second.state(), State::Queued);
    let ended = server.plans().cancel_plan_run(cancel(&second.name)).await.unwrap().into_inner();
    assert_eq!((ended.state(), ended.plan.as_str()), (State::Cancelled, ""));
    assert_eq!(server.watch(&second).await.unwrap(), [ended]);
    server.plans().cancel_plan_run(cancel(&first.name)).await.unwrap();
}

#[tokio::test]
async fn a_full_queue_says_when_to_come_back() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let mut runs = Vec::new();
    for _ in 0..3 {
        runs.push(server.create_run(600).await);
    }
    let request = v1::CreatePlanRunRequest { parent: "shops/main".into(), ..Default::default() };
    let details = refused(server.plans().create_plan_run(request.clone()).await, Code::ResourceExhausted, "QUEUE_FULL");
    assert!(details.retry_info().unwrap().retry_delay.is_some());
    for run in runs.iter().rev() {
        server.plans().cancel_plan_run(cancel(&run.name)).await.unwrap();
    }
    server.plans().create_plan_run(request).await.unwrap();
}

/// Goal: servers that share a database act on each other's runs. Method: a second store stands for the other server.
#[tokio::test]
async fn a_cancel_through_another_server_is_seen() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let run = server.create_run(600).await;
    server.watch_for_a_plan(&run).await;
    let id = run.name.rsplit('/').next().unwrap();
    let other = server.open_store().await;
    let change = fitup_store::Change { at: START.parse().unwrap(), actor: "other".into(), origin: None, request: None };
    other.cancel_run(&change, "main", id, Box::new(|_| vec![])).await.unwrap();
    let last = server.watch(&run).await.unwrap().pop().unwrap();
    assert_eq!(last.state(), State::Cancelled);
    assert!(!last.plan.is_empty());
}

#[tokio::test]
async fn a_run_that_was_given_away_is_dropped_and_its_new_owner_heard() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let run = server.create_run(600).await;
    server.watch_for_a_plan(&run).await;
    let id = run.name.rsplit('/').next().unwrap();
    let other = server.open_store().await;
    let later: jiff::Timestamp = "2031-05-06T12:00:00Z".parse().unwrap();
    let change = fitup_store::Change { at: later, actor: "other".into(), origin: None, request: None };
    let watching = tokio::spawn({
        let (mut plans, name) = (server.plans(), run.name.clone());
        async move {
            let mut stream = plans.watch_plan_run(v1::WatchPlanRunRequest { name }).await.unwrap().into_inner();
            let mut last = None;
            while let Some(state) = stream.message().await.unwrap() {
                last = Some(state);
            }
            last.unwrap()
        }
    });
    assert_eq!(other.requeue_expired_runs(&change, 9).await.unwrap().len(), 1);
    let claimed = other.claim_run(later, "other", "2031-05-07T12:00:00Z".parse().unwrap()).await.unwrap().unwrap();
    assert_eq!(claimed.run.attempts, 2);
    // Long enough for this server to notice.
    tokio::time::sleep(Duration::from_millis(1500)).await;
    let end = fitup_store::RunEnd::Failed { failure: "the other server says so".into() };
    let progress = claimed.run.progress;
    other.finish_run(&change, "main", id, "other", progress, end).await.unwrap();
    let last = watching.await.unwrap();
    assert_eq!((last.state(), last.failure.as_str()), (State::Failed, "the other server says so"));
    let plans = v1::ListPlansRequest { parent: "shops/main".into(), ..Default::default() };
    assert_eq!(server.plans().list_plans(plans).await.unwrap().into_inner().plans, []);
}

#[tokio::test]
async fn nobody_needs_to_watch() {
    let server = TestServer::start().await;
    enter_busy_shop(&server).await;
    let run = server.create_run(1).await;
    let watch = v1::WatchPlanRunRequest { name: run.name.clone() };
    let mut stream = server.plans().watch_plan_run(watch).await.unwrap().into_inner();
    stream.message().await.unwrap().unwrap();
    drop(stream);
    let last = server.watch(&run).await.unwrap().pop().unwrap();
    assert_eq!(last.state(), State::Succeeded);
}

#[tokio::test]
async fn a_plan_is_published_until_another_one_is() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-1", small_order()).await;
    let mut plans = server.plans();
    let (first, second) = (server.plan(2).await, server.plan(2).await);
    let publish = |plan: &v1::Plan| v1::PublishPlanRequest { name: plan.name.clone(), ..Default::default() };
    let published = plans.publish_plan(publish(&first)).await.unwrap().into_inner();
    assert_eq!((published.state(), published.stale), (v1::plan::State::Published, false));
    let shop = server.shops().get_shop(v1::GetShopRequest { name: "shops/main".into() }).await.unwrap().into_inner();
    assert_eq!(shop.published_plan, first.name);
    // The published one comes before the latest.
    let current = plans.get_plan(plan_named("shops/main/plans/-")).await.unwrap().into_inner();
    assert_eq!(current.name, first.name);

    plans.publish_plan(publish(&second)).await.unwrap();
    let first = plans.get_plan(plan_named(&first.name)).await.unwrap().into_inner();
    assert_eq!(first.state(), v1::plan::State::Superseded);

    // The shop changes: its plans are stale, and cannot be published any more.
    let third = server.plan(2).await;
    server.create_order("r-2", small_order()).await;
    let stale = plans.get_plan(plan_named(&third.name)).await.unwrap().into_inner();
    assert!(stale.stale);
    let details = refused(plans.publish_plan(publish(&third)).await, Code::FailedPrecondition, "PLAN_STALE");
    assert_eq!(details.precondition_failure().unwrap().violations[0].subject, third.name);
}

#[tokio::test]
async fn plans_and_runs_are_listed_latest_first() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-1", small_order()).await;
    let mut plans = server.plans();
    let mut made = Vec::new();
    for _ in 0..3 {
        made.push(server.plan(2).await);
    }
    made.reverse();
    let list = |page_size, page_token: &str| v1::ListPlansRequest {
        parent: "shops/main".into(),
        page_size,
        page_token: page_token.into(),
    };
    let first = plans.list_plans(list(2, "")).await.unwrap().into_inner();
    let second = plans.list_plans(list(2, &first.next_page_token)).await.unwrap().into_inner();
    let listed: Vec<&v1::Plan> = first.plans.iter().chain(&second.plans).collect();
    assert_eq!(
        listed.iter().map(|plan| &plan.name).collect::<Vec<_>>(),
        made.iter().map(|plan| &plan.name).collect::<Vec<_>>()
    );
    assert!(listed.iter().all(|plan| plan.orders.is_empty()) && second.next_page_token.is_empty());
    assert_eq!(listed[0].price, made[0].price);

    let list = |page_size, page_token: &str| v1::ListPlanRunsRequest {
        parent: "shops/main".into(),
        page_size,
        page_token: page_token.into(),
    };
    let first_runs = plans.list_plan_runs(list(2, "")).await.unwrap().into_inner();
    let second_runs = plans.list_plan_runs(list(2, &first_runs.next_page_token)).await.unwrap().into_inner();
    let runs: Vec<&String> = first_runs.plan_runs.iter().chain(&second_runs.plan_runs).map(|run| &run.name).collect();
    assert_eq!(runs, made.iter().map(|plan| &plan.plan_run).collect::<Vec<_>>());
    // A token of plans is none of plan runs.
    let odd = plans.list_plan_runs(list(2, &first.next_page_token)).await;
    refused(odd, Code::InvalidArgument, "PAGE_TOKEN_INVALID");
}

#[tokio::test]
async fn the_same_seed_and_iteration_limit_give_the_same_plan() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    for number in 0..6 {
        server.create_order(&format!("r-{number}"), small_order()).await;
    }
    let limits = v1::plan_run::Limits {
        time_limit: minutes(2),
        iteration_limit: 50,
        seed: 7,
        gap_limit: 0.0,
        as_of_time: minutes_in(30),
    };
    let mut found = Vec::new();
    for _ in 0..2 {
        let request =
            v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
        let run = server.plans().create_plan_run(request).await.unwrap().into_inner();
        assert_eq!(run.limits, Some(limits));
        let last = server.watch(&run).await.unwrap().pop().unwrap();
        found.push(server.plans().get_plan(plan_named(&last.plan)).await.unwrap().into_inner());
    }
    assert_eq!(found[0].orders, found[1].orders);
    assert_eq!(found[0].price, found[1].price);
    assert_eq!(found[0].as_of_time, minutes_in(30));
}

#[tokio::test]
async fn the_clock_of_the_server_is_the_time_to_plan_for() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let run = server.create_run(1).await;
    let start: jiff::Timestamp = START.parse().unwrap();
    let passed = run.as_of_time.unwrap().seconds - start.as_second();
    assert!((0..60).contains(&passed), "{passed} s after the start");
}

#[tokio::test]
async fn what_has_happened_may_contradict_itself_only_with_a_clear_answer() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    // Two cars that stand in one bay, and one person on both: facts, with which the plan has to live.
    for id in ["r-1", "r-2"] {
        let mut order = small_order();
        (order.arrived, order.arrival_time) = (true, minutes_in(-2000));
        order.visits[0].bay = "stall-1".into();
        order.operations[0].progress = Some(v1::Progress {
            state: v1::progress::State::Running.into(),
            start_time: minutes_in(-1400),
            technicians: vec!["ada".into()],
            remaining_work: minutes(120),
            ..Default::default()
        });
        server.create_order(id, order).await;
    }
    let run = server.create_run(2).await;
    let last = server.watch(&run).await.unwrap().pop().unwrap();
    match last.state() {
        State::Succeeded => assert!(!last.plan.is_empty()),
        State::Failed => assert!(last.failure.contains("breaks the rules"), "{last:?}"),
        state => panic!("{state:?}"),
    }
}

#[tokio::test]
async fn odd_requests_are_refused() {
    let server = TestServer::start().await;
    server.create_shop("main", small_shop()).await;
    let mut plans = server.plans();
    let none = refused(plans.get_plan(plan_named("shops/main/plans/-")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    assert_eq!(none.resource_info().unwrap().resource_type, "fitup.v1.Plan");
    refused(plans.get_plan(plan_named("shops/nowhere/plans/-")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    refused(plans.get_plan(plan_named("shops/main/plans/x")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    let publish = v1::PublishPlanRequest { name: "shops/main/plans/x".into(), ..Default::default() };
    refused(plans.publish_plan(publish).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    refused(plans.get_plan_run(run_named("shops/main/planRuns/x")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    refused(plans.cancel_plan_run(cancel("shops/main/planRuns/x")).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    let watch = v1::WatchPlanRunRequest { name: "shops/main/planRuns/x".into() };
    refused(plans.watch_plan_run(watch).await, Code::NotFound, "RESOURCE_NOT_FOUND");
    let found = faults(plans.get_plan(plan_named("shops/main/planRuns/x")).await);
    assert!(found[0].ends_with("has not the format shops/{shop}/plans/{plan}"), "{found:?}");

    let limits = v1::plan_run::Limits {
        time_limit: Some(prost_types::Duration { seconds: 601, nanos: 0 }),
        iteration_limit: -1,
        gap_limit: 2.0,
        ..Default::default()
    };
    let request = v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
    let found = faults(plans.create_plan_run(request).await);
    assert_eq!(found.len(), 3, "{found:?}");
    assert_eq!(found[0], "limits.time_limit: must be more than 0 s and at most 600 s");
    let nowhere = v1::CreatePlanRunRequest { parent: "shops/nowhere".into(), ..Default::default() };
    refused(plans.create_plan_run(nowhere).await, Code::NotFound, "RESOURCE_NOT_FOUND");
}
