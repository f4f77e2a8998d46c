//! Metrics and probes over plain HTTP, on an address of their own: `/metrics`, `/live` and `/ready`.
//!
//! Not on the port of the service, since probes and scrapers speak neither gRPC with TLS nor tokens.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use fitup_store::Store;
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

use crate::error::chain;
use crate::metrics::Metrics;

/// A database that does not answer for so long is away.
const PATIENCE: Duration = Duration::from_secs(1);

#[derive(Clone)]
struct Watched {
    store: Arc<dyn Store>,
    metrics: Arc<Metrics>,
}

/// Answers on `address` until the task is aborted.
///
/// # Errors
/// If nobody can listen there.
pub async fn begin(
    address: SocketAddr,
    store: Arc<dyn Store>,
    metrics: Arc<Metrics>,
) -> std::io::Result<JoinHandle<()>> {
    let listener = TcpListener::bind(address).await?;
    let address = listener.local_addr()?;
    let router = Router::new()
        .route("/metrics", get(text))
        .route("/live", get(|| async { "live\n" }))
        .route("/ready", get(ready))
        .with_state(Watched { store, metrics });
    tracing::info!(%address, "metrics and probes are answered");
    Ok(tokio::spawn(async move {
        if let Err(error) = axum::serve(listener, router).await {
            tracing::error!(%error, "metrics and probes are answered no more");
        }
    }))
}

async fn text(State(watched): State<Watched>) -> Response {
    let counts = tokio::time::timeout(PATIENCE, watched.store.count_runs()).await;
    let counts = counts.ok().and_then(Result::ok);
    match watched.metrics.text(watched.store.connections(), counts) {
        Ok(text) => ([(CONTENT_TYPE, prometheus::TEXT_FORMAT)], text).into_response(),
        Err(error) => {
            tracing::error!(%error, "the metrics cannot be written");
            StatusCode::INTERNAL_SERVER_ERROR.into_response()
        }
    }
}

/// Tells whether calls can be answered now: the process runs and its database answers.
async fn ready(State(watched): State<Watched>) -> (StatusCode, String) {
    match tokio::time::timeout(PATIENCE, watched.store.ping()).await {
        Ok(Ok(())) => (StatusCode::OK, "ready\n".into()),
        Ok(Err(error)) => {
            tracing::warn!(error = chain(&error), "not ready");
            (StatusCode::SERVICE_UNAVAILABLE, "the database cannot be read; the log has the details\n".into())
        }
        Err(_) => (StatusCode::SERVICE_UNAVAILABLE, "the database does not answer\n".into()),
    }
}
