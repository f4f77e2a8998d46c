//! The program killed at random moments under load: what it has acknowledged is there, once. `FITUP_TEST_KILLS=1000`
//! makes it a longer run.

#[allow(dead_code, reason = "other tests stop it too")]
#[path = "../../store/tests/contract/cluster.rs"]
mod cluster;

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::history_service_client::HistoryServiceClient;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_run::State;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use tokio::task::JoinSet;
use tokio::time::sleep;
use tonic::Code;
use tonic::transport::{Channel, Endpoint};
use uuid::Uuid;

const PROGRAM: &str = env!("CARGO_BIN_EXE_fitupd");
const WRITERS: usize = 4;
const KILLS: u64 = 50;
/// Keeps the load bounded.
const PAUSE: Duration = Duration::from_millis(10);
/// A change that nobody takes for so long fails the test.
const PATIENCE: Duration = Duration::from_secs(30);

/// A running program; killed when it is dropped.
struct Program(Child);

impl Program {
    /// Starts it and waits until it has opened its database.
    async fn start(folder: &Path, listen: &str, database: Option<&str>) -> Program {
        let port_file = folder.join("port");
        // Fails if there is none from before.
        let _ = std::fs::remove_file(&port_file);
        let mut command = Command::new(PROGRAM);
        command.args(["--listen", listen, "--lease-seconds", "1", "--plan-runs", "1", "--solver-threads", "1"]);
        command.arg("--data").arg(folder.join("data")).arg("--port-file").arg(&port_file);
        if let Some(database) = database {
            command.args(["--database", database]);
        }
        let log = folder.join("log");
        let mut program = Program(command.stderr(Stdio::from(std::fs::File::create(&log).unwrap())).spawn().unwrap());
        let said = || std::fs::read_to_string(&log).unwrap();
        let started = Instant::now();
        while !port_file.exists() {
            assert!(started.elapsed() < PATIENCE, "it does not start: {}", said());
            assert_eq!(program.0.try_wait().unwrap(), None, "it ends at the start: {}", said());
            sleep(Duration::from_millis(2)).await;
        }
        program
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // SIGKILL; fails if it has ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

async fn enter(channel: &Channel) {
    let shop = v1::Shop { display_name: "Main".into(), time_zone: "America/Chicago".into(), ..Default::default() };
    let request = v1::CreateShopRequest { shop_id: "main".into(), shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(channel.clone()).create_shop(request).await.unwrap();
    for writer in 0..WRITERS {
        let wait = v1::Operation {
            id: "cure".into(),
            work: Some(prost_types::Duration { seconds: 3600, nanos: 0 }),
            ..Default::default()
        };
        let now = prost_types::Timestamp { seconds: 1_935_748_800, nanos: 0 };
        let order = v1::Order {
            vehicle: "grey hatchback".into(),
            arrival_time: Some(now),
            promise_time: Some(prost_types::Timestamp { seconds: now.seconds + 864_000, nanos: 0 }),
            operations: vec![wait],
            ..Default::default()
        };
        let request = v1::CreateOrderRequest {
            parent: "shops/main".into(),
            order_id: format!("o-{writer}"),
            order: Some(order),
            ..Default::default()
        };
        OrderServiceClient::new(channel.clone()).create_order(request).await.unwrap();
    }
}

/// Changes its order until told to stop, repeats what was not answered under the same request id, and returns how many
/// changes were acknowledged.
async fn write(channel: Channel, writer: usize, stop: Arc<AtomicBool>) -> usize {
    let mut orders = OrderServiceClient::new(channel);
    let mut acknowledged = 0;
    while !stop.load(Ordering::SeqCst) {
        let order = v1::Order {
            name: format!("shops/main/orders/o-{writer}"),
            note: (acknowledged + 1).to_string(),
            ..Default::default()
        };
        let request = v1::UpdateOrderRequest {
            order: Some(order),
            update_mask: Some(prost_types::FieldMask { paths: vec!["note".into()] }),
            request_id: Uuid::new_v4().to_string(),
            ..Default::default()
        };
        let asked = Instant::now();
        while let Err(refused) = orders.update_order(request.clone()).await {
            // Cancelled, Unknown and Internal are how a torn connection shows.
            let is_torn =
                matches!(refused.code(), Code::Unavailable | Code::Cancelled | Code::Unknown | Code::Internal);
            assert!(is_torn && asked.elapsed() < PATIENCE, "{refused:?}");
            sleep(PAUSE).await;
        }
        acknowledged += 1;
        sleep(PAUSE).await;
    }
    acknowledged
}

/// Asks for a plan run, and returns its name.
async fn ask_for_a_run(channel: &Channel) -> String {
    let limits =
        v1::plan_run::Limits { time_limit: Some(prost_types::Duration { seconds: 1, nanos: 0 }), ..Default::default() };
    let request = v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
    PlanServiceClient::new(channel.clone()).create_plan_run(request).await.unwrap().into_inner().name
}

async fn whole_history(channel: &Channel) -> Vec<v1::HistoryEntry> {
    let mut request = v1::ListHistoryRequest { parent: "shops/main".into(), page_size: 500, ..Default::default() };
    let mut entries = Vec::new();
    loop {
        let page = HistoryServiceClient::new(channel.clone()).list_history(request.clone()).await.unwrap().into_inner();
        entries.extend(page.entries);
        if page.next_page_token.is_empty() {
            // They come the last first.
            entries.reverse();
            return entries;
        }
        request.page_token = page.next_page_token;
    }
}

async fn kill_again_and_again(database: Option<&str>) {
    let kills = std::env::var("FITUP_TEST_KILLS").map_or(KILLS, |text| text.parse().expect("a number of kills"));
    let folder = tempfile::tempdir().unwrap();
    // Free again at once, and the same for every program, so that connections come back.
    let listen = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let mut program = Program::start(folder.path(), &listen, database).await;
    let channel = Endpoint::from_shared(format!("http://{listen}")).unwrap().connect_lazy();
    enter(&channel).await;
    let stop = Arc::new(AtomicBool::new(false));
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        let (channel, stop) = (channel.clone(), Arc::clone(&stop));
        writers.spawn(async move { (writer, write(channel, writer, stop).await) });
    }
    let mut runs = Vec::new();
    for kill in 0..kills {
        if kill % 10 == 0 {
            let own = Endpoint::from_shared(format!("http://{listen}")).unwrap().connect_lazy();
            runs.push(ask_for_a_run(&own).await);
        }
        // Random, from the bits of a version 4 UUID.
        let moment = Uuid::new_v4().as_u128() % 200;
        sleep(Duration::from_millis(u64::try_from(moment).unwrap())).await;
        drop(program);
        program = Program::start(folder.path(), &listen, database).await;
    }
    sleep(Duration::from_millis(200)).await;
    stop.store(true, Ordering::SeqCst);

    let mut all = 0;
    let counts = writers.join_all().await;
    let history = whole_history(&channel).await;
    for (writer, acknowledged) in counts {
        assert!(acknowledged > 0);
        all += acknowledged;
        let name = format!("shops/main/orders/o-{writer}");
        let request = v1::GetOrderRequest { name: name.clone() };
        let order = OrderServiceClient::new(channel.clone()).get_order(request).await.unwrap().into_inner();
        assert_eq!(order.note, acknowledged.to_string(), "the last acknowledged change of {name} is there");
        let kept = history.iter().filter(|entry| entry.resource == name && entry.action == "update").count();
        assert_eq!(kept, acknowledged, "each change of {name} once");
    }
    assert!(all as u64 >= kills, "there was load: {all} changes");
    let mut revision = 0;
    for entry in &history {
        assert!(entry.revision_before == revision, "{entry:?} does not follow revision {revision}");
        assert!((0..=1).contains(&(entry.revision_after - revision)), "{entry:?}");
        revision = entry.revision_after;
    }

    for name in runs {
        let started = Instant::now();
        loop {
            let request = v1::GetPlanRunRequest { name: name.clone() };
            let run = PlanServiceClient::new(channel.clone()).get_plan_run(request).await.unwrap().into_inner();
            match run.state() {
                State::Succeeded => break assert!(!run.plan.is_empty(), "{run:?}"),
                State::Failed => break assert!(!run.failure.is_empty(), "{run:?}"),
                _ => assert!(started.elapsed() < PATIENCE, "nobody takes it up: {run:?}"),
            }
            sleep(Duration::from_millis(100)).await;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_on_sqlite() {
    kill_again_and_again(None).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_on_postgres() {
    let Some(cluster) = cluster::shared() else { return };
    kill_again_and_again(Some(&cluster.url("fitup", "postgres"))).await;
}
