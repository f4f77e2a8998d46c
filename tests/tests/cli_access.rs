//! `fitup` against a server with TLS that asks for tokens.

use std::path::Path;
use std::process::{Command, Output};

use fitup_server::access::secret::Secret;
use fitup_store::{Change, NewToken, Role, Scope};
use fitup_tests::server::{START, TestServer};
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use tempfile::TempDir;

/// Writes the certificates of two authorities, and of a server and a client by the first.
fn certificates(folder: &Path) {
    let write = |name: &str, text: String| std::fs::write(folder.join(name), text).unwrap();
    for authority in ["other", "ca"] {
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        write(&format!("{authority}.pem"), params.self_signed(&key).unwrap().pem());
        let issuer = Issuer::new(params, key);
        for name in ["server", "client"] {
            let key = KeyPair::generate().unwrap();
            let params = CertificateParams::new(["localhost".to_owned()]).unwrap();
            write(&format!("{name}.pem"), params.signed_by(&key, &issuer).unwrap().pem());
            write(&format!("{name}.key"), key.serialize_pem());
        }
    }
}

async fn start(folder: &TempDir, has_client_ca: bool) -> (TestServer, String) {
    certificates(folder.path());
    let path = folder.path().to_owned();
    let server = TestServer::start_with(move |config| {
        config.tls_cert = Some(path.join("server.pem"));
        config.tls_key = Some(path.join("server.key"));
        config.tls_client_ca = has_client_ca.then(|| path.join("ca.pem"));
    })
    .await;
    let secret = Secret::draw().unwrap();
    let now: jiff::Timestamp = START.parse().unwrap();
    let new = NewToken {
        id: "owner".into(),
        display_name: "owner".into(),
        role: Role::Manager,
        scope: Scope::All,
        digest: secret.digest(),
        expire_time: now + jiff::SignedDuration::from_hours(24),
    };
    let change = Change { at: now, actor: "test".into(), origin: None, request: None };
    server.open_store().await.create_token(&change, new, Box::new(|_| vec![])).await.unwrap();
    std::fs::write(folder.path().join("token"), secret.text() + "\n").unwrap();
    (server, secret.text())
}

/// Runs a command in the folder, and returns all that it prints with its exit code.
async fn run(folder: &TempDir, server: String, command: &str, token: Option<&str>) -> (String, i32) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_fitup-under-test"));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FITUP_")) {
        program.env_remove(name);
    }
    program.args(command.split(' ')).current_dir(folder.path()).env("FITUP_SERVER", server);
    program.envs(token.map(|token| ("FITUP_TOKEN", token)));
    let run = tokio::task::spawn_blocking(move || program.output().unwrap());
    let Output { status, stdout, stderr } = run.await.unwrap();
    (String::from_utf8(stdout).unwrap() + &String::from_utf8(stderr).unwrap(), status.code().unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn tokens_by_tls() {
    let folder = tempfile::tempdir().unwrap();
    let (server, secret) = start(&folder, false).await;
    let url = format!("https://localhost:{}", server.address.port());
    let run = async |command: &str, token: Option<&str>| run(&folder, url.clone(), command, token).await;
    let (told, code) = run("shop list --ca ca.pem --token-file token", None).await;
    assert_eq!((told.as_str(), code), ("there is no shop yet; enter one with `fitup shop apply FILE`\n", 0));
    assert_eq!(run("shop list --ca ca.pem", Some(&secret)).await.1, 0);
    // The file wins.
    assert_eq!(run("shop list --ca ca.pem --token-file token", Some("rubbish")).await.1, 0);

    let check = async |command: &str, token: Option<&str>, code: i32, parts: &[&str]| {
        let (told, found) = run(command, token).await;
        assert_eq!(found, code, "{command}: {told}");
        for part in parts {
            assert!(told.contains(part), "{part:?} is not in {told}");
        }
        assert!(!told.contains(&secret[6..]), "the secret is not told");
    };
    check("shop list --ca ca.pem", None, 1, &["no token", "hint: set FITUP_TOKEN, or name a file with --token-file"])
        .await;
    check("shop list --ca ca.pem", Some("rubbish"), 1, &["error: what the call carries is no token"]).await;
    check("shop list --ca ca.pem", Some("two words"), 2, &["error: the token is none"]).await;
    // One that is given out, to no more than it may, until it is taken back.
    let (made, code) =
        run("token create --name wall --role screen --shops main --json --ca ca.pem", Some(&secret)).await;
    assert_eq!(code, 0, "{made}");
    let made: serde_json::Value = serde_json::from_str(&made).unwrap();
    let (id, screen) = (made["id"].as_str().unwrap(), made["secret"].as_str());
    check("shop list --ca ca.pem", screen, 0, &["there is no shop yet"]).await;
    let may_not = "a screen may not call fitup.v1.ShopService/DeleteShop; these may: manager";
    check("shop delete main --ca ca.pem", screen, 1, &[may_not]).await;
    let revoke = format!("token revoke {id} --ca ca.pem");
    check(&revoke, Some(&secret), 0, &[&format!("token {id} revoked: wall, screen\n")]).await;
    check("token list --ca ca.pem", Some(&secret), 0, &[id, "owner", "2031-05-05"]).await;
    check("shop list --ca ca.pem", screen, 1, &["error: the token was revoked", "hint: ask a manager"]).await;
    check(
        "shop list --ca other.pem --timeout 2",
        Some(&secret),
        4,
        &["certificate", "hint: check --server, the authority"],
    )
    .await;
    check("shop list --ca ca.pem --token x", None, 2, &["unexpected argument '--token'"]).await;
    let plain = format!("shop list --timeout 2 --server http://localhost:{}", server.address.port());
    check(&plain, Some(&secret), 4, &["error: the server does not answer"]).await;
    let other_name = format!("shop list --ca ca.pem --timeout 2 --server https://127.0.0.1:{}", server.address.port());
    check(&other_name, Some(&secret), 4, &["certificate"]).await;
    server.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn certificates_of_clients() {
    let folder = tempfile::tempdir().unwrap();
    let (server, secret) = start(&folder, true).await;
    let url = format!("https://localhost:{}", server.address.port());
    let run = async |command: &str| run(&folder, url.clone(), command, Some(&secret)).await;
    let (told, code) = run("shop list --ca ca.pem --cert client.pem --key client.key").await;
    assert_eq!(code, 0, "{told}");
    let (told, code) = run("shop list --ca ca.pem --timeout 2").await;
    assert_eq!(code, 4, "{told}");
    let (told, code) = run("shop list --ca ca.pem --cert client.pem --key server.key").await;
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("a pair made together"), "{told}");
    server.stop().await.unwrap();
}
