//! The server and a client that shares no code with it: `client.py` beside this folder.

use std::path::Path;
use std::process::Command;

use fitup_tests::server::TestServer;

/// Goal: the contract is enough for a stranger. Method: a script that learns every message by reflection enters a shop,
/// plans it, and checks the plan by rules of its own.
///
/// Runs the interpreter in `FITUP_TEST_PYTHON`, or `python3`, if it has the packages.
#[tokio::test(flavor = "multi_thread")]
#[allow(clippy::print_stderr)]
async fn an_independent_client_plans_a_shop() {
    let python = std::env::var("FITUP_TEST_PYTHON");
    let required = python.is_ok();
    let python = python.unwrap_or_else(|_| "python3".into());
    let packages = Command::new(&python).args(["-c", "import grpc, grpc_reflection"]).output();
    if !required && !packages.is_ok_and(|output| output.status.success()) {
        eprintln!(
            "skipped: {python} has no grpcio and grpcio-reflection; install deploy/pins/test.txt into a virtual \
             environment and set FITUP_TEST_PYTHON to its python, or run deploy/test"
        );
        return;
    }
    let server = TestServer::start().await;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("client.py");
    let (python, address) = (python.clone(), server.address.to_string());
    let run = move || Command::new(python).arg(script).arg(address).output();
    let output = tokio::task::spawn_blocking(run).await.unwrap().unwrap();
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{text}");
    assert!(text.contains("4 orders planned"), "{text}");
    server.stop().await.unwrap();
}
