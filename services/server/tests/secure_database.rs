//! PostgreSQL by TLS, as the program is started. Skipped, and said so, where there is no PostgreSQL to test with.

#[allow(dead_code, reason = "other tests share one cluster")]
#[path = "../../store/tests/contract/cluster.rs"]
mod cluster;

use std::path::Path;
use std::process::{Command, Output};

use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};

/// Writes the certificate of an authority, and returns what signs for it.
fn authority(path: &Path) -> Issuer<'static, KeyPair> {
    let key = KeyPair::generate().unwrap();
    let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    std::fs::write(path, params.self_signed(&key).unwrap().pem()).unwrap();
    Issuer::new(params, key)
}

/// Goal: with `sslmode=verify-full` the database is the one of that name by that authority, or the start ends with one
/// line. What each mode checks: <https://www.postgresql.org/docs/15/libpq-ssl.html#LIBPQ-SSL-PROTECTION>.
/// Method: a database that takes no connection without TLS, with a certificate for the name `localhost` alone.
#[test]
fn the_database_is_the_one_that_was_meant() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let (ours, _) = (authority(&path("ca.pem")), authority(&path("other-ca.pem")));
    let key = KeyPair::generate().unwrap();
    let certificate = CertificateParams::new(["localhost".to_owned()]).unwrap().signed_by(&key, &ours).unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let Some(_cluster) = cluster::Cluster::start_with_tls(port, &certificate.pem(), &key.serialize_pem()) else {
        return;
    };
    // Opens the database, makes its schema and ends.
    let open = |host: &str, options: &str| -> Result<(), String> {
        let options = options.replace("DIR", folder.path().to_str().unwrap());
        let database = format!("postgres://fitup:topsecret@{host}:{port}/postgres?{options}");
        let mut command = Command::new(env!("CARGO_BIN_EXE_fitupd"));
        command.args(["token", "create", "--name", "owner", "--database", &database]);
        let Output { status, stderr, .. } = command.output().unwrap();
        let said = String::from_utf8(stderr).unwrap();
        assert!(!said.contains("topsecret"), "{said}");
        if status.success() { Ok(()) } else { Err(said) }
    };
    assert_eq!(open("localhost", "sslmode=verify-full&sslrootcert=DIR/ca.pem"), Ok(()));
    assert_eq!(open("127.0.0.1", "sslmode=verify-ca&sslrootcert=DIR/ca.pem"), Ok(()));
    assert_eq!(open("localhost", "sslmode=require"), Ok(()));

    let refused = |host, options| {
        let said = open(host, options).expect_err(options);
        assert!(said.starts_with("error: ") && said.lines().count() == 1, "{said}");
        said
    };
    let by_tls = "cannot be reached by TLS; check sslmode and sslrootcert in its address";
    for (host, options) in [
        // Another authority, another name, one that the machine does not know, and none at all.
        ("localhost", "sslmode=verify-full&sslrootcert=DIR/other-ca.pem"),
        ("127.0.0.1", "sslmode=verify-full&sslrootcert=DIR/ca.pem"),
        ("localhost", "sslmode=verify-full"),
        ("localhost", "sslmode=verify-full&sslrootcert=DIR/none.pem"),
    ] {
        let said = refused(host, options);
        assert!(said.contains(by_tls) && said.contains(&format!("postgres://{host}:{port}/postgres")), "{said}");
    }
    let said = refused("localhost", "sslmode=disable");
    assert!(said.contains("refuses the login"), "{said}");
}
