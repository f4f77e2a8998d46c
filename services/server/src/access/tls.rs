//! The certificate of the server and the authority of its clients' certificates.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tonic::transport::server::ServerTlsConfig;
use tonic::transport::{Certificate, Identity, Server};

use crate::config::Config;
use crate::error::chain;

/// Whoever connects and says nothing is let go after this.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// Why there is no TLS.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read.
    #[error("{flag} {} cannot be read; check its path and its rights", .path.display())]
    Unreadable {
        /// Which setting names it.
        flag: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// A file is none of the kind.
    #[error("{flag} {} holds no {what} in PEM form; name the file that begins with -----BEGIN", .path.display())]
    NotPem {
        /// Which setting names it.
        flag: &'static str,
        /// The file.
        path: PathBuf,
        /// What it should hold.
        what: &'static str,
    },
    /// They do not do, or not together.
    #[error(
        "the certificate {} cannot be used with the key {}: {message}; name the pair that was made together",
        .cert.display(), .key.display()
    )]
    Unusable {
        /// The certificate.
        cert: PathBuf,
        /// The key.
        key: PathBuf,
        /// Why not.
        message: String,
    },
    /// The certificate of the authority does not do.
    #[error("--tls-client-ca {} cannot be used: {message}; name the certificate of the authority", .path.display())]
    Authority {
        /// The file.
        path: PathBuf,
        /// Why not.
        message: String,
    },
}

/// Returns `server` with the TLS that the settings ask for, if they do.
///
/// # Errors
/// If a file is missing or wrong.
pub fn secure(server: Server, config: &Config) -> Result<Server, TlsError> {
    let (Some(cert), Some(key)) = (&config.tls_cert, &config.tls_key) else { return Ok(server) };
    let identity = Identity::from_pem(
        read("--tls-cert", cert, "certificate", "CERTIFICATE-----")?,
        read("--tls-key", key, "private key", "PRIVATE KEY-----")?,
    );
    let tls = ServerTlsConfig::new().identity(identity).timeout(HANDSHAKE);
    // The pair first and by itself, so that what is wrong with the authority is not laid at its door.
    let unusable = |error: tonic::transport::Error| TlsError::Unusable {
        cert: cert.clone(),
        key: key.clone(),
        message: cause(&error),
    };
    let secured = server.clone().tls_config(tls.clone()).map_err(unusable)?;
    let Some(path) = &config.tls_client_ca else { return Ok(secured) };
    let authority = Certificate::from_pem(read("--tls-client-ca", path, "certificate", "CERTIFICATE-----")?);
    let no_authority =
        |error: tonic::transport::Error| TlsError::Authority { path: path.clone(), message: cause(&error) };
    server.tls_config(tls.client_ca_root(authority)).map_err(no_authority)
}

fn read(flag: &'static str, path: &Path, what: &'static str, mark: &str) -> Result<String, TlsError> {
    let unreadable = |source| TlsError::Unreadable { flag, path: path.to_owned(), source };
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let text = String::from_utf8(bytes).ok().filter(|text| text.contains("-----BEGIN") && text.contains(mark));
    text.ok_or_else(|| TlsError::NotPem { flag, path: path.to_owned(), what })
}

/// Returns what the transport says, without "transport error".
fn cause(error: &tonic::transport::Error) -> String {
    std::error::Error::source(error).map_or_else(|| error.to_string(), chain)
}
