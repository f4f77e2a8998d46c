//! A whole server on a free port with a database of its own, clients for it, and small shops to fill it with.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use fitup_proto::v1;
use fitup_proto::v1::floor_service_client::FloorServiceClient;
use fitup_proto::v1::intake_service_client::IntakeServiceClient;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::quote_service_client::QuoteServiceClient;
use fitup_proto::v1::replan_service_client::ReplanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use fitup_server::{Config, ServeError};
use fitup_store::Store;
use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Status};
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_client::HealthClient;
use tonic_types::{ErrorDetails, StatusExt};

/// What the clock of a test server shows at its start: a Monday, 07:00 in the shop.
pub const START: &str = "2031-05-05T12:00:00Z";

/// A server in this process.
pub struct TestServer {
    /// Where it listens.
    pub address: SocketAddr,
    channel: Channel,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<Result<(), ServeError>>,
    data: PathBuf,
    database: Option<String>,
    folder: Option<TempDir>,
}

impl TestServer {
    /// Starts a server with a fresh database.
    pub async fn start() -> TestServer {
        TestServer::start_with(|_| {}).await
    }

    /// Starts a server with a fresh database and other settings.
    pub async fn start_with(change: impl FnOnce(&mut Config)) -> TestServer {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let mut server = TestServer::start_in(folder.path(), change).await;
        server.folder = Some(folder);
        server
    }

    /// Starts a server on the database in `data`.
    pub async fn start_in(data: &Path, change: impl FnOnce(&mut Config)) -> TestServer {
        let mut config = config(data);
        change(&mut config);
        let has_tls = config.tls_cert.is_some();
        let database = config.database.clone();
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("a bound address");
        let (stop, stopped) = oneshot::channel();
        let shutdown = async move { drop(stopped.await) };
        let serving = tokio::spawn(fitup_server::serve(config, listener, shutdown));
        let endpoint = Endpoint::from_shared(format!("http://{address}")).expect("an address");
        // With TLS this one gets nowhere; the test brings its own.
        let channel = if has_tls { endpoint.connect_lazy() } else { endpoint.connect().await.expect("it listens") };
        TestServer { address, channel, stop, serving, data: data.to_owned(), database, folder: None }
    }

    /// Tells the server to stop, and waits until it has.
    pub async fn stop(self) -> Result<(), ServeError> {
        // Fails if it has stopped by itself; the result says why.
        let _ = self.stop.send(());
        self.serving.await.expect("the server does not panic")
    }

    /// Stops the server and starts the next one on its database.
    pub async fn restart(self) -> TestServer {
        self.restart_with(|_| {}).await
    }

    /// Stops the server and starts the next one on its database with other settings.
    pub async fn restart_with(mut self, change: impl FnOnce(&mut Config)) -> TestServer {
        let (data, folder) = (self.data.clone(), self.folder.take());
        self.stop().await.expect("it stops in order");
        let mut server = TestServer::start_in(&data, change).await;
        server.folder = folder;
        server
    }

    /// Opens the database a second time, as another server would.
    ///
    /// The socket takes connections before the server has opened its database; an answer says that it has, and that the two
    /// do not open it, or migrate it, at once.
    pub async fn open_store(&self) -> Arc<dyn Store> {
        let mut health = HealthClient::new(self.channel());
        // Says nothing where the channel lacks the certificate of the server.
        let _ = health.check(HealthCheckRequest::default()).await;
        fitup_server::serve::open_store(self.database.as_deref(), &self.data).await.expect("the database")
    }

    /// Returns the connection.
    pub fn channel(&self) -> Channel {
        self.channel.clone()
    }

    /// Returns a client for shops.
    pub fn shops(&self) -> ShopServiceClient<Channel> {
        ShopServiceClient::new(self.channel())
    }

    /// Returns a client for orders from lines.
    pub fn intake(&self) -> IntakeServiceClient<Channel> {
        IntakeServiceClient::new(self.channel())
    }

    /// Returns a client for orders.
    pub fn orders(&self) -> OrderServiceClient<Channel> {
        OrderServiceClient::new(self.channel())
    }

    /// Returns a client for plans.
    pub fn plans(&self) -> PlanServiceClient<Channel> {
        PlanServiceClient::new(self.channel())
    }

    /// Returns a client for the floor.
    pub fn floor(&self) -> FloorServiceClient<Channel> {
        FloorServiceClient::new(self.channel())
    }

    /// Returns a client for quotes and holds.
    pub fn quotes(&self) -> QuoteServiceClient<Channel> {
        QuoteServiceClient::new(self.channel())
    }

    /// Returns a client for mending plans.
    pub fn replans(&self) -> ReplanServiceClient<Channel> {
        ReplanServiceClient::new(self.channel())
    }

    /// Enters a shop.
    pub async fn create_shop(&self, id: &str, shop: v1::Shop) -> v1::Shop {
        let request = v1::CreateShopRequest { shop_id: id.into(), shop: Some(shop), ..Default::default() };
        self.shops().create_shop(request).await.expect("a good shop").into_inner()
    }

    /// Enters an order of the shop `main`.
    pub async fn create_order(&self, id: &str, order: v1::Order) -> v1::Order {
        let request = v1::CreateOrderRequest {
            parent: "shops/main".into(),
            order_id: id.into(),
            order: Some(order),
            ..Default::default()
        };
        self.orders().create_order(request).await.expect("a good order").into_inner()
    }

    /// Starts a plan run of the shop `main`.
    pub async fn create_run(&self, seconds: i64) -> v1::PlanRun {
        let limits = v1::plan_run::Limits {
            time_limit: Some(prost_types::Duration { seconds, nanos: 0 }),
            ..Default::default()
        };
        let request =
            v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
        self.plans().create_plan_run(request).await.expect("a plan run").into_inner()
    }

    /// Watches a plan run and returns all its states.
    pub async fn watch(&self, run: &v1::PlanRun) -> Result<Vec<v1::PlanRun>, Status> {
        let request = v1::WatchPlanRunRequest { name: run.name.clone() };
        let mut stream = self.plans().watch_plan_run(request).await?.into_inner();
        let mut states = Vec::new();
        while let Some(state) = stream.message().await? {
            states.push(state);
        }
        Ok(states)
    }

    /// Watches a plan run until it has a plan, and returns that state.
    pub async fn watch_for_a_plan(&self, run: &v1::PlanRun) -> v1::PlanRun {
        let request = v1::WatchPlanRunRequest { name: run.name.clone() };
        let mut stream = self.plans().watch_plan_run(request).await.expect("a run").into_inner();
        loop {
            let state = stream.message().await.expect("a stream").expect("a state with a plan");
            if state.best_price.is_some() {
                return state;
            }
        }
    }

    /// Plans the shop `main` and returns the plan.
    pub async fn plan(&self, seconds: i64) -> v1::Plan {
        let run = self.create_run(seconds).await;
        let states = self.watch(&run).await.expect("a stream that ends");
        let last = states.last().expect("a final state");
        assert_eq!(last.state(), v1::plan_run::State::Succeeded, "{last:?}");
        let request = v1::GetPlanRequest { name: last.plan.clone() };
        self.plans().get_plan(request).await.expect("the plan").into_inner()
    }
}

fn config(data: &Path) -> Config {
    Config {
        data: data.to_owned(),
        database: None,
        port_file: None,
        solver_threads: 1,
        plan_runs: 1,
        queue_limit: 3,
        queue_limit_in_all: 100,
        tls_cert: None,
        tls_key: None,
        tls_client_ca: None,
        require_tokens: false,
        open_to_network: false,
        connection_limit: 1000,
        rate_limit: 100_000,
        message_limit: 1024 * 1024,
        stream_limit: 100,
        monitor: None,
        clock_start: Some(START.parse().expect("an instant")),
        clock_by_hand: None,
        drain: Duration::from_secs(5),
        lease: Duration::from_secs(3),
    }
}

/// Asserts the code and the reason of a refusal, and returns its details.
#[track_caller]
pub fn refused<T>(result: Result<T, Status>, code: Code, reason: &str) -> ErrorDetails {
    let status = result.err().expect("a refusal");
    let details = status.get_error_details();
    let info = details.error_info().unwrap_or_else(|| panic!("no ErrorInfo in {status:?}"));
    assert_eq!((status.code(), info.reason.as_str(), info.domain.as_str()), (code, reason, "fitup"), "{status:?}");
    details
}

/// Asserts that fields are refused, and returns `path: what is wrong` for each.
#[track_caller]
pub fn faults<T>(result: Result<T, Status>) -> Vec<String> {
    let details = refused(result, Code::InvalidArgument, "FIELDS_INVALID");
    let violations = &details.bad_request().expect("a BadRequest").field_violations;
    violations.iter().map(|found| format!("{}: {}", found.field, found.description)).collect()
}

/// Returns an instant so many minutes after [`START`].
pub fn minutes_in(minutes: i64) -> Option<prost_types::Timestamp> {
    let start: jiff::Timestamp = START.parse().expect("an instant");
    Some(prost_types::Timestamp { seconds: start.as_second() + minutes * 60, nanos: 0 })
}

/// Returns a length of time.
pub fn minutes(minutes: i64) -> Option<prost_types::Duration> {
    Some(prost_types::Duration { seconds: minutes * 60, nanos: 0 })
}

/// Returns a shop with two body bays, a booth and three technicians who work 07:00 to 16:00 on weekdays.
pub fn small_shop() -> v1::Shop {
    let technician = |id: &str, skill: &str| v1::Technician {
        id: id.into(),
        calendar: "day".into(),
        skills: vec![v1::TechnicianSkill { skill: skill.into(), efficiency_percent: 100 }],
        ..Default::default()
    };
    let bay = |id: &str, class: &str| v1::Bay { id: id.into(), classes: vec![class.into()], ..Default::default() };
    let window = v1::DayWindow { start_time_of_day: "07:00".into(), end_time_of_day: "16:00".into() };
    v1::Shop {
        display_name: "Main Street".into(),
        time_zone: "America/Chicago".into(),
        skills: vec!["body".into(), "paint".into()],
        calendars: vec![v1::Calendar {
            id: "day".into(),
            shifts: vec![v1::Shift { days: vec![1, 2, 3, 4, 5], window: Some(window), breaks: vec![] }],
            exceptions: vec![],
        }],
        bays: vec![bay("stall-1", "body"), bay("stall-2", "body"), bay("booth", "booth")],
        equipment: vec![v1::Equipment { id: "welder".into(), count: 1, ..Default::default() }],
        technicians: vec![technician("ada", "body"), technician("ben", "body"), technician("cleo", "paint")],
        settings: Some(v1::PlanningSettings::default()),
        ..Default::default()
    }
}

/// Returns an order that is repaired in a body bay, then sprayed and baked in the booth.
pub fn small_order() -> v1::Order {
    let operation = |id: &str, work: i64, crew: &[&str], visit: &str, interruptible: bool| v1::Operation {
        id: id.into(),
        work: minutes(work),
        crew: crew.iter().map(|skill| (*skill).into()).collect(),
        visit: visit.into(),
        interruptible,
        ..Default::default()
    };
    let visit = |id: &str, class: &str| v1::Visit { id: id.into(), bay_class: class.into(), ..Default::default() };
    let link = |from: &str, to: &str, max_wait| v1::Link { from: from.into(), to: to.into(), min_wait: None, max_wait };
    v1::Order {
        vehicle: "grey hatchback, rear hit".into(),
        arrival_time: minutes_in(0),
        promise_time: minutes_in(3 * 1440),
        visits: vec![visit("body", "body"), visit("paint", "booth")],
        operations: vec![
            operation("repair", 180, &["body"], "body", true),
            operation("spray", 90, &["paint"], "paint", false),
            operation("bake", 60, &[], "paint", false),
        ],
        links: vec![link("repair", "spray", None), link("spray", "bake", minutes(30))],
        ..Default::default()
    }
}

/// Returns an order that waits for a part that comes after the end of every plan.
pub fn order_beyond_the_horizon() -> v1::Order {
    let mut order = small_order();
    order.parts = vec![v1::Part { id: "hood".into(), expected_time: minutes_in(400 * 1440), ..Default::default() }];
    order.operations[0].needs = vec!["hood".into()];
    order
}

/// Enters the shop `main` and so many orders of different lengths that no plan is proven optimal soon.
pub async fn enter_busy_shop(server: &TestServer) {
    server.create_shop("main", small_shop()).await;
    for number in 0..20_i64 {
        let mut order = small_order();
        order.operations[0].work = minutes(90 + number * 37 % 240);
        order.operations[1].work = minutes(45 + number * 23 % 75);
        order.promise_time = minutes_in(1440 + number * 311 % 5000);
        order.arrival_time = minutes_in(number * 97 % 1000);
        server.create_order(&format!("r-{number}"), order).await;
    }
}
