//! The files in `deploy/`: they name settings that there are, and certificates made by the script are taken.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use clap::{Args, CommandFactory, Parser};
use fitup_proto::v1;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use fitup_server::Config;
use fitup_tests::server::TestServer;
use tonic::Code;
use tonic::transport::{Certificate, ClientTlsConfig, Endpoint};

fn read(path: &str) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    std::fs::read_to_string(root.join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

#[derive(Parser)]
struct Settings {
    #[command(flatten)]
    config: Config,
}

/// Goal: no file sets what fitupd does not know. Method: every word `FITUPD_...` and every argument in them, against the
/// settings of the program.
#[test]
fn settings_are_known() {
    let command = Settings::command();
    let mut known: BTreeSet<String> =
        command.get_arguments().filter_map(|own| Some(own.get_env()?.to_str()?.to_owned())).collect();
    // Those of the program itself.
    known.extend(["FITUPD_LISTEN", "FITUPD_LOG_FORMAT", "FITUPD_LOG"].map(String::from));
    let mut found = 0;
    for file in
        ["deploy/Containerfile", "deploy/compose.yaml", "deploy/kubernetes/fitupd.yaml", "deploy/fitupd.service"]
    {
        let text = read(file);
        let words = text.split(|letter: char| !letter.is_ascii_uppercase() && letter != '_');
        for word in words.filter(|word| word.starts_with("FITUPD_")) {
            assert!(known.contains(word), "{file}: {word} is no setting");
            found += 1;
        }
        let flags = text.lines().filter(|line| line.trim_start().starts_with("args:")).flat_map(|line| line.split('"'));
        for flag in flags.filter_map(|flag| flag.strip_prefix("--")) {
            let name = flag.split('=').next().unwrap();
            assert!(command.get_arguments().any(|own| own.get_long() == Some(name)), "{file}: --{name} is no setting");
            found += 1;
        }
    }
    assert!(found > 15, "only {found} settings were found");
    // So that this test does not lose sight of the settings.
    assert!(Config::augment_args(clap::Command::new("fitupd")).get_arguments().count() > 10);
}

/// Goal: a stranger who follows the files has TLS. Method: the script, a server with what it made, a client that knows
/// the authority alone, and one that does not.
#[tokio::test]
async fn certificates_made_by_the_script_are_taken() {
    let folder = tempfile::tempdir().unwrap();
    let made = folder.path().join("certificates");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/certificate");
    let make = || Command::new(&script).arg(&made).args(["localhost", "127.0.0.1"]).output().unwrap();
    let output = make();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    // What there is stays.
    let again = make();
    assert!(!again.status.success());
    assert!(String::from_utf8_lossy(&again.stderr).contains("has an authority already"));

    let server = TestServer::start_with(|config| {
        config.tls_cert = Some(made.join("server.pem"));
        config.tls_key = Some(made.join("server-key.pem"));
    })
    .await;
    let authority = Certificate::from_pem(std::fs::read(made.join("authority.pem")).unwrap());
    let address = format!("https://localhost:{}", server.address.port());
    let endpoint = Endpoint::from_shared(address).unwrap();
    let trusting = endpoint.clone().tls_config(ClientTlsConfig::new().ca_certificate(authority)).unwrap();
    let channel = trusting.connect().await.expect("the certificate is good");
    let refused = ShopServiceClient::new(channel).list_shops(v1::ListShopsRequest::default()).await.unwrap_err();
    assert_eq!(refused.code(), Code::Unauthenticated);
    assert!(endpoint.tls_config(ClientTlsConfig::new()).unwrap().connect().await.is_err());
    server.stop().await.unwrap();
}
