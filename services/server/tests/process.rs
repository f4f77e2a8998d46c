//! The program as it is started and stopped: settings, signals, crashes.

use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use fitup_proto::v1;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_run::State;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use tempfile::TempDir;
use tonic::transport::{Channel, Endpoint};

const PROGRAM: &str = env!("CARGO_BIN_EXE_fitupd");
const START: i64 = 1_935_748_800; // 2031-05-05T12:00:00Z, a Monday morning in Chicago.

/// A running program; it is killed if the test does not stop it.
struct Program {
    child: Child,
    channel: Channel,
}

impl Drop for Program {
    fn drop(&mut self) {
        // Fails if it has ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Program {
    async fn start(folder: &TempDir, arguments: &[&str]) -> Program {
        let port_file = folder.path().join("port");
        // Fails if there is none from before.
        let _ = std::fs::remove_file(&port_file);
        let child = Command::new(PROGRAM)
            .args(["--listen", "127.0.0.1:0", "--clock-start", "2031-05-05T12:00:00Z"])
            .arg("--data")
            .arg(folder.path().join("data"))
            .arg("--port-file")
            .arg(&port_file)
            .args(arguments)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let address = wait_for(|| std::fs::read_to_string(&port_file).ok().filter(|text| text.ends_with('\n')));
        let endpoint = Endpoint::from_shared(format!("http://{}", address.trim())).unwrap();
        Program { channel: endpoint.connect().await.unwrap(), child }
    }

    /// Sends a signal and returns how it ended and what it wrote to stderr.
    fn end(mut self, signal: &str) -> (Option<i32>, String) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args([signal, &id]).status().unwrap().success());
        let status = wait_for(|| self.child.try_wait().unwrap());
        let mut log = String::new();
        std::io::Read::read_to_string(&mut self.child.stderr.take().unwrap(), &mut log).unwrap();
        (status.code(), log)
    }

    fn plans(&self) -> PlanServiceClient<Channel> {
        PlanServiceClient::new(self.channel.clone())
    }

    /// Enters a shop with one body technician, and many orders for them.
    async fn enter_shop(&self) {
        let window = v1::DayWindow { start_time_of_day: "07:00".into(), end_time_of_day: "16:00".into() };
        let technician = |id: &str| v1::Technician {
            id: id.into(),
            calendar: "day".into(),
            skills: vec![v1::TechnicianSkill { skill: "body".into(), efficiency_percent: 100 }],
            ..Default::default()
        };
        let shop = v1::Shop {
            display_name: "Main Street".into(),
            time_zone: "America/Chicago".into(),
            skills: vec!["body".into()],
            calendars: vec![v1::Calendar {
                id: "day".into(),
                shifts: vec![v1::Shift { days: vec![1, 2, 3, 4, 5], window: Some(window), breaks: vec![] }],
                exceptions: vec![],
            }],
            technicians: vec![technician("ada"), technician("ben")],
            ..Default::default()
        };
        let request = v1::CreateShopRequest { shop_id: "main".into(), shop: Some(shop), ..Default::default() };
        ShopServiceClient::new(self.channel.clone()).create_shop(request).await.unwrap();
        let seconds = |seconds| Some(prost_types::Duration { seconds, nanos: 0 });
        let instant = |minutes: i64| Some(prost_types::Timestamp { seconds: START + minutes * 60, nanos: 0 });
        for number in 0..25_i64 {
            let operation = |id: &str, minutes: i64| v1::Operation {
                id: id.into(),
                work: seconds(minutes * 60),
                crew: vec!["body".into()],
                ..Default::default()
            };
            let order = v1::Order {
                vehicle: "grey hatchback".into(),
                arrival_time: instant(0),
                promise_time: instant(1440 + number * 311 % 9000),
                operations: vec![operation("strip", 35 + number * 37 % 240), operation("build", 55 + number * 23 % 75)],
                links: vec![v1::Link {
                    from: "strip".into(),
                    to: "build".into(),
                    min_wait: seconds(number * 13 % 7 * 3600),
                    max_wait: None,
                }],
                ..Default::default()
            };
            let request = v1::CreateOrderRequest {
                parent: "shops/main".into(),
                order_id: format!("r-{number}"),
                order: Some(order),
                ..Default::default()
            };
            OrderServiceClient::new(self.channel.clone()).create_order(request).await.unwrap();
        }
    }

    async fn create_run(&self, seconds: i64) -> v1::PlanRun {
        let limits = v1::plan_run::Limits {
            time_limit: Some(prost_types::Duration { seconds, nanos: 0 }),
            ..Default::default()
        };
        let request =
            v1::CreatePlanRunRequest { parent: "shops/main".into(), limits: Some(limits), ..Default::default() };
        self.plans().create_plan_run(request).await.unwrap().into_inner()
    }

    async fn watch_until(&self, name: &str, stop: impl Fn(&v1::PlanRun) -> bool) -> v1::PlanRun {
        let request = v1::WatchPlanRunRequest { name: name.into() };
        let mut stream = self.plans().watch_plan_run(request).await.unwrap().into_inner();
        loop {
            let state = stream.message().await.unwrap().unwrap();
            if stop(&state) {
                return state;
            }
        }
    }
}

fn wait_for<T>(mut look: impl FnMut() -> Option<T>) -> T {
    let started = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(started.elapsed() < Duration::from_secs(20), "nothing came in 20 s");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// Runs the program with settings that it should refuse, and returns what it says.
fn refused(arguments: &[&str]) -> String {
    let Output { status, stderr, .. } = Command::new(PROGRAM).args(arguments).output().unwrap();
    assert!(!status.success());
    let text = String::from_utf8(stderr).unwrap();
    assert!(text.starts_with("error: "), "{text}");
    text
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_run_goes_on_after_a_crash() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::start(&folder, &["--plan-runs", "1", "--solver-threads", "1"]).await;
    program.enter_shop().await;
    let run = program.create_run(2).await;
    program.watch_until(&run.name, |state| state.best_price.is_some()).await;
    let (code, _) = program.end("-KILL");
    assert_eq!(code, None);

    // The next server takes it up at once and does not wait for the lease of the one that is gone.
    let program = Program::start(&folder, &["--lease-seconds", "60"]).await;
    let started = Instant::now();
    let last = program.watch_until(&run.name, |state| !state.plan.is_empty() || !state.failure.is_empty()).await;
    assert_eq!(last.state(), State::Succeeded, "{last:?}");
    assert!(started.elapsed() < Duration::from_secs(15), "{:?}", started.elapsed());
    let plan = program.plans().get_plan(v1::GetPlanRequest { name: last.plan }).await.unwrap().into_inner();
    assert_eq!((plan.orders.len(), plan.plan_run), (25, run.name));
    let plans = v1::ListPlansRequest { parent: "shops/main".into(), ..Default::default() };
    assert_eq!(program.plans().list_plans(plans).await.unwrap().into_inner().plans.len(), 1);
    let (code, log) = program.end("-TERM");
    assert_eq!(code, Some(0), "{log}");
    assert!(log.contains("its server is gone"), "{log}");
}

#[tokio::test(flavor = "multi_thread")]
async fn it_ends_in_order_on_a_signal() {
    for signal in ["-TERM", "-INT"] {
        let folder = tempfile::tempdir().unwrap();
        let program = Program::start(&folder, &["--drain-seconds", "5"]).await;
        program.enter_shop().await;
        let run = program.create_run(600).await;
        program.watch_until(&run.name, |state| state.best_price.is_some()).await;
        let asked = Instant::now();
        let (code, log) = program.end(signal);
        assert_eq!(code, Some(0), "{log}");
        assert!(asked.elapsed() < Duration::from_secs(5) && !log.contains("cut off"), "{log}");

        let program = Program::start(&folder, &[]).await;
        let found = program.plans().get_plan_run(v1::GetPlanRunRequest { name: run.name }).await.unwrap().into_inner();
        assert_eq!(found.state(), State::Succeeded);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_log_has_one_line_a_request_in_json() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::start(&folder, &["--log-format", "json"]).await;
    program.enter_shop().await;
    let nowhere = v1::GetShopRequest { name: "shops/nowhere".into() };
    let mut request = tonic::Request::new(nowhere);
    request.metadata_mut().insert("x-request-id", "front-desk-7".parse().unwrap());
    ShopServiceClient::new(program.channel.clone()).get_shop(request).await.unwrap_err();
    let (_, log) = program.end("-TERM");
    let line = log.lines().find(|line| line.contains("front-desk-7")).unwrap_or_else(|| panic!("{log}"));
    for part in
        ["\"code\":\"NotFound\"", "\"method\":\"fitup.v1.ShopService/GetShop\"", "\"shop\":\"nowhere\"", "\"ms\":"]
    {
        assert!(line.contains(part), "{part} is not in {line}");
    }
    assert_eq!(log.matches("fitup.v1.OrderService/CreateOrder").count(), 25);
    assert!(log.lines().all(|line| line.starts_with('{') && line.ends_with('}')), "{log}");
}

#[test]
fn nobody_to_plan_stops_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let said = refused(&["--listen", "127.0.0.1:0", "--data", text(folder.path()), "--plan-runs", "0"]);
    assert!(said.contains("--plan-runs 0 leaves planning to other servers"), "{said}");
    assert_eq!(said.lines().count(), 1);
}

#[test]
fn a_taken_port_stops_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let said = refused(&["--listen", &address, "--data", text(folder.path())]);
    assert!(said.contains(&address) && said.contains("choose another address with --listen"), "{said}");
    assert_eq!(said.lines().count(), 1);
}

#[test]
fn a_data_folder_that_is_none_stops_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "not a folder").unwrap();
    let deep = folder.path().join("a/b/c");
    for path in [&file, &deep] {
        let said = refused(&["--listen", "127.0.0.1:0", "--data", text(path)]);
        assert!(said.contains(text(path)) && said.lines().count() == 1, "{said}");
    }
}

#[test]
fn a_file_that_is_no_database_of_ours_stops_the_start() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("fitup.db"), "something else altogether".repeat(100)).unwrap();
    let said = refused(&["--listen", "127.0.0.1:0", "--data", text(folder.path())]);
    assert!(said.contains("fitup.db") && said.lines().count() == 1, "{said}");
}

#[test]
fn a_port_file_that_cannot_be_written_stops_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let port_file = folder.path().join("missing/port");
    let said = refused(&["--listen", "127.0.0.1:0", "--data", text(folder.path()), "--port-file", text(&port_file)]);
    assert!(said.contains("--port-file") && said.lines().count() == 1, "{said}");
}

#[test]
fn settings_also_come_from_the_environment() {
    let output = Command::new(PROGRAM).env("FITUPD_PLAN_RUNS", "none").output().unwrap();
    assert!(!output.status.success());
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("--plan-runs"), "{said}");
    let help = Command::new(PROGRAM).arg("--help").output().unwrap();
    let help = String::from_utf8(help.stdout).unwrap();
    let flags: Vec<&str> = help.lines().filter_map(|line| line.trim_start().strip_prefix("--")).collect();
    for flag in flags.iter().filter(|flag| flag.contains('<')) {
        let name = flag.split(' ').next().unwrap().to_uppercase().replace('-', "_");
        // One that may hold a password does not show its value.
        let shown = [format!("FITUPD_{name}="), format!("FITUPD_{name}]")];
        assert!(shown.iter().any(|variable| help.contains(variable)), "{flag} has no variable:\n{help}");
    }
    assert!(flags.len() >= 12, "{help}");
}
