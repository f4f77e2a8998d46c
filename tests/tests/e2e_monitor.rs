//! Metrics and probes: what a monitoring system and an orchestrator are told.

use std::io::Write;
use std::process::{Command, Stdio};

use fitup_proto::v1;
use fitup_tests::monitor::{free_address, get};
use fitup_tests::server::{TestServer, small_order, small_shop};
use serde_json::Value;
use tokio::net::TcpStream;

/// Starts a server that is monitored, and returns the address for that.
async fn monitored() -> (TestServer, String) {
    let address = free_address().await;
    let server = TestServer::start_with(|config| config.monitor = Some(address)).await;
    (server, address.to_string())
}

/// Returns the value of a sample with these labels.
fn value(text: &str, name: &str, labels: &[(&str, &str)]) -> Option<f64> {
    let line = text.lines().find(|line| {
        line.strip_prefix(name).is_some_and(|rest| rest.starts_with(['{', ' ']))
            && labels.iter().all(|(label, value)| line.contains(&format!("{label}=\"{value}\"")))
    })?;
    line.rsplit(' ').next()?.parse().ok()
}

#[tokio::test(flavor = "multi_thread")]
async fn calls_plan_runs_and_connections_are_counted() {
    let (server, address) = monitored().await;
    server.create_shop("main", small_shop()).await;
    for number in 0..3 {
        server.create_order(&format!("r-{number}"), small_order()).await;
    }
    let missing = v1::GetOrderRequest { name: "shops/main/orders/none".into() };
    server.orders().get_order(missing).await.unwrap_err();
    let plan = server.plan(2).await;
    // A method that nobody knows counts, under a name that strangers cannot choose.
    let mut grpc = tonic::client::Grpc::new(server.channel());
    grpc.ready().await.unwrap();
    let path = tonic::codegen::http::uri::PathAndQuery::from_static("/fitup.v1.ShopService/PaintShop");
    let codec = tonic_prost::ProstCodec::<v1::GetShopRequest, v1::Shop>::default();
    grpc.unary(tonic::Request::new(v1::GetShopRequest::default()), path, codec).await.unwrap_err();

    let (head, text) = get(&address, "/metrics").await;
    assert!(head.starts_with("HTTP/1.1 200") && head.contains("text/plain; version=0.0.4"), "{head}");
    let count =
        |method: &str, code: &str| value(&text, "fitup_call_seconds_count", &[("method", method), ("code", code)]);
    assert_eq!(count("fitup.v1.OrderService/CreateOrder", "Ok"), Some(3.0), "{text}");
    assert_eq!(count("fitup.v1.OrderService/GetOrder", "NotFound"), Some(1.0));
    assert_eq!(count("unknown", "Unimplemented"), Some(1.0));
    assert!(!text.contains("PaintShop"));
    let succeeded = [("state", "succeeded")];
    assert_eq!(value(&text, "fitup_plan_runs_ended_total", &succeeded), Some(1.0));
    assert_eq!(value(&text, "fitup_plan_run_seconds_count", &succeeded), Some(1.0));
    assert_eq!(value(&text, "fitup_plan_run_gap_count", &succeeded), Some(1.0));
    let price: i64 = plan.price.as_ref().map_or(0, |price| price.total);
    assert_eq!(value(&text, "fitup_plan_run_last_price", &[]), Some(price as f64));
    assert_eq!(value(&text, "fitup_plan_runs", &[("state", "queued")]), Some(0.0));
    assert_eq!(value(&text, "fitup_plan_runs_at_work", &[]), Some(0.0));
    let open = value(&text, "fitup_database_connections", &[("state", "open")]).unwrap();
    let idle = value(&text, "fitup_database_connections", &[("state", "idle")]).unwrap();
    assert!(0.0 < open && 0.0 <= idle && idle <= open, "{open} {idle}");
    assert!(value(&text, "process_resident_memory_bytes", &[]).unwrap() > 1e6);
    // Numbers only: no shop, order or person is named.
    assert!(!text.contains("main") && !text.contains("r-0") && !text.contains("ada"), "{text}");
    server.stop().await.unwrap();
}

#[tokio::test]
async fn probes_are_answered() {
    let (server, address) = monitored().await;
    let (head, body) = get(&address, "/ready").await;
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    assert_eq!(body, "ready\n");
    assert!(get(&address, "/live").await.0.starts_with("HTTP/1.1 200"));
    assert!(get(&address, "/shops").await.0.starts_with("HTTP/1.1 404"));
    server.stop().await.unwrap();
    assert!(TcpStream::connect(&address).await.is_err());
}

/// Goal: the text is what Prometheus reads. Method: the parser of its own client for Python, release 0.26; as many samples
/// as we count lines. Runs the interpreter in `FITUP_TEST_PYTHON`, or `python3`, if it has the package.
#[tokio::test(flavor = "multi_thread")]
#[allow(clippy::print_stderr)]
async fn the_text_is_that_of_prometheus() {
    let python = std::env::var("FITUP_TEST_PYTHON");
    let required = python.is_ok();
    let python = python.unwrap_or_else(|_| "python3".into());
    let package = Command::new(&python).args(["-c", "import prometheus_client"]).output();
    if !required && !package.is_ok_and(|output| output.status.success()) {
        eprintln!(
            "skipped: {python} has no prometheus-client; install deploy/pins/test.txt into a virtual environment and set \
             FITUP_TEST_PYTHON to its python, or run deploy/test"
        );
        return;
    }
    let (server, address) = monitored().await;
    server.create_shop("main", small_shop()).await;
    server.create_order("r-1", small_order()).await;
    server.plan(1).await;
    let (_, text) = get(&address, "/metrics").await;
    server.stop().await.unwrap();

    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/metrics.py");
    let child = Command::new(python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
    let mut child = child.unwrap();
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    let samples: Vec<Value> =
        String::from_utf8(output.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let lines = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).count();
    assert_eq!(samples.len(), lines);
    let found = |name: &str, kind: &str| samples.iter().any(|sample| sample[0] == name && sample[3] == kind);
    assert!(found("fitup_call_seconds_bucket", "histogram"));
    assert!(found("fitup_plan_runs_ended_total", "counter"));
    assert!(found("fitup_database_connections", "gauge"));
}
