//! The program: opens the database, answers calls, ends in an orderly way.

use std::future::Future;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use fitup_proto::v1;
use fitup_proto::v1::explain_service_server::ExplainServiceServer;
use fitup_proto::v1::floor_service_server::FloorServiceServer;
use fitup_proto::v1::history_service_server::HistoryServiceServer;
use fitup_proto::v1::intake_service_server::IntakeServiceServer;
use fitup_proto::v1::order_service_server::OrderServiceServer;
use fitup_proto::v1::plan_service_server::PlanServiceServer;
use fitup_proto::v1::quote_service_server::QuoteServiceServer;
use fitup_proto::v1::rehearsal_service_server::RehearsalServiceServer;
use fitup_proto::v1::replan_service_server::ReplanServiceServer;
use fitup_proto::v1::shop_service_server::ShopServiceServer;
use fitup_proto::v1::token_service_server::TokenServiceServer;
use fitup_store::sqlite::SqliteStore;
use fitup_store::{OpenError, Page, Scope, Store};
use jiff::{SignedDuration, Timestamp};
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tonic::server::NamedService;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic_health::ServingStatus;
use tonic_health::server::HealthReporter;

use crate::access::connections::Limited;
use crate::access::gate::{GateLayer, Keeper};
use crate::access::guard::Guarded;
use crate::access::mode::{self, Exposed};
use crate::access::rate::Rates;
use crate::access::tls::{self, TlsError};
use crate::clock::Clock;
use crate::config::Config;
use crate::effect::Effects;
use crate::error::chain;
use crate::explain_service::Explain;
use crate::floor_service::Floors;
use crate::history_service::History;
use crate::intake_service::Intake;
use crate::layer::RequestLayer;
use crate::metrics::Metrics;
use crate::monitor;
use crate::order_service::Orders;
use crate::place::Places;
use crate::plan_runs::{self, PlanRuns};
use crate::plan_service::Plans;
use crate::port_file;
use crate::quote_service::Quotes;
use crate::rehearsal_service::Rehearsals;
use crate::replan_service::Replans;
use crate::shop_service::Shops;
use crate::token_service::Tokens;

/// Why the server does not start, or stops.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The database cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// It must not listen there.
    #[error(transparent)]
    Exposed(#[from] Exposed),
    /// Nobody would plan.
    #[error("--plan-runs 0 leaves planning to other servers of one database; share it with --database, or allow a run")]
    Planless,
    /// The certificate or its key will not do.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// Whether there are tokens cannot be read.
    #[error("the tokens cannot be read")]
    Tokens(#[source] fitup_store::Error),
    /// The data folder cannot be made.
    #[error("data folder {} cannot be made; make it, or name another with --data", .folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The port file cannot be written.
    #[error("port file {} cannot be written; name another with --port-file", .path.display())]
    PortFile {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// Metrics and probes cannot be answered there.
    #[error("cannot listen on {address} for metrics and probes; choose another address with --monitor")]
    Monitor {
        /// The address.
        address: SocketAddr,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The socket fails.
    #[error("the socket fails")]
    Socket(#[source] std::io::Error),
    /// The transport fails.
    #[error("the transport fails")]
    Transport(#[source] tonic::transport::Error),
}

/// Names of the services whose health is told.
const SERVICES: [&str; 11] = [
    <ShopServiceServer<Shops> as NamedService>::NAME,
    <OrderServiceServer<Orders> as NamedService>::NAME,
    <PlanServiceServer<Plans> as NamedService>::NAME,
    <IntakeServiceServer<Intake> as NamedService>::NAME,
    <ExplainServiceServer<Explain> as NamedService>::NAME,
    <QuoteServiceServer<Quotes> as NamedService>::NAME,
    <TokenServiceServer<Tokens> as NamedService>::NAME,
    <HistoryServiceServer<History> as NamedService>::NAME,
    <FloorServiceServer<Floors> as NamedService>::NAME,
    <ReplanServiceServer<Replans> as NamedService>::NAME,
    <RehearsalServiceServer<Rehearsals> as NamedService>::NAME,
];

/// Serves on `listener` until `shutdown` is ready, then lets calls under way end, for a while.
///
/// Calls are answered once the schema of the database is up to date.
///
/// # Errors
/// If it must not listen there without TLS, the certificate is wrong, the database cannot be opened, the port file cannot be written or the socket fails.
pub async fn serve(
    config: Config,
    listener: TcpListener,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    let address = listener.local_addr().map_err(ServeError::Socket)?;
    let mode = mode::mode(&config, address)?;
    let server = tls::secure(Server::builder(), &config)?;
    if config.plan_runs == 0 && config.database.is_none() {
        return Err(ServeError::Planless);
    }
    let store = open_store(config.database.as_deref(), &config.data).await?;
    // The socket listens already: who reads the file and calls is answered a moment later.
    if let Some(path) = &config.port_file {
        let unwritable = |source| ServeError::PortFile { path: path.clone(), source };
        port_file::write(path, address).map_err(unwritable)?;
    }
    let metrics = Arc::new(Metrics::default());
    let monitoring = match config.monitor {
        Some(address) => {
            let failed = |source| ServeError::Monitor { address, source };
            Some(monitor::begin(address, Arc::clone(&store), Arc::clone(&metrics)).await.map_err(failed)?)
        }
        None => None,
    };
    let clock = config.clock_by_hand.map_or_else(|| Clock::new(config.clock_start), Clock::ByHand);
    let runs = PlanRuns::new(Arc::clone(&store), clock, run_settings(&config), Arc::clone(&metrics));
    let working = tokio::spawn(runs.clone().work());
    let tidying = tokio::spawn(forget_old_requests(Arc::clone(&store), clock));

    let (reporter, health) = tonic_health::server::health_reporter();
    for service in SERVICES {
        reporter.set_service_status(service, ServingStatus::Serving).await;
    }
    let (stopping, stopped) = oneshot::channel();
    let draining = {
        let (runs, reporter) = (runs.clone(), reporter.clone());
        async move {
            shutdown.await;
            tracing::info!("stopping: calls under way may end");
            set_all(&reporter, ServingStatus::NotServing).await;
            runs.stop();
            clear_all(reporter).await;
            // Fails if serving has failed meanwhile.
            let _ = stopping.send(());
        }
    };
    let limit = config.message_limit as usize;
    // Services see what their caller sees.
    let seen: Arc<dyn Store> = Arc::new(Guarded(Arc::clone(&store)));
    let shops = Shops { store: Arc::clone(&seen), clock };
    let orders = Orders { store: Arc::clone(&seen), clock };
    let plans = Plans { store: Arc::clone(&seen), clock, runs: runs.clone() };
    let intake = Intake { store: Arc::clone(&seen), clock, effects: Effects::default() };
    let floors = Floors { store: Arc::clone(&seen), clock };
    let replans = Replans::new(Arc::clone(&seen), clock, runs.clone(), config.plan_runs.max(1));
    let rehearsals = Rehearsals::new(Arc::clone(&seen), clock, config.solver_threads);
    let explain = Explain { store: Arc::clone(&seen), clock, places: Places::new(1) };
    let quotes = Quotes::new(Arc::clone(&seen), clock, runs.clone(), config.solver_threads);
    let tokens = Tokens { store: Arc::clone(&seen), clock };
    let history = History { store: seen };
    let keeper = Keeper { store: Arc::clone(&store), clock, mode, rates: Rates::new(config.rate_limit) };
    let incoming = Limited::new(TcpIncoming::from(listener).with_nodelay(Some(true)), config.connection_limit);
    let serving = server
        .max_concurrent_streams(config.stream_limit)
        .http2_keepalive_interval(Some(Duration::from_secs(30)))
        .layer(RequestLayer(Arc::clone(&metrics)))
        .layer(GateLayer(Arc::new(keeper)))
        .add_service(health)
        .add_service(reflection().build_v1().expect("the descriptors were made by the compiler"))
        .add_service(reflection().build_v1alpha().expect("the descriptors were made by the compiler"))
        .add_service(ShopServiceServer::new(shops).max_decoding_message_size(limit))
        .add_service(OrderServiceServer::new(orders).max_decoding_message_size(limit))
        .add_service(IntakeServiceServer::new(intake).max_decoding_message_size(limit))
        .add_service(PlanServiceServer::new(plans).max_decoding_message_size(limit))
        .add_service(FloorServiceServer::new(floors).max_decoding_message_size(limit))
        .add_service(ReplanServiceServer::new(replans).max_decoding_message_size(limit))
        .add_service(RehearsalServiceServer::new(rehearsals).max_decoding_message_size(limit))
        .add_service(ExplainServiceServer::new(explain).max_decoding_message_size(limit))
        .add_service(QuoteServiceServer::new(quotes).max_decoding_message_size(limit))
        .add_service(TokenServiceServer::new(tokens).max_decoding_message_size(limit))
        .add_service(HistoryServiceServer::new(history).max_decoding_message_size(limit))
        .serve_with_incoming_shutdown(incoming, draining);

    match &config.database {
        // Its address may hold a password.
        Some(_) => tracing::info!(%address, "fitupd answers calls, on PostgreSQL"),
        None => tracing::info!(%address, data = %config.data.display(), "fitupd answers calls"),
    }
    let tokens = store.list_tokens(&Scope::All, Page { after: None, limit: 1 }).await.map_err(ServeError::Tokens)?;
    mode::tell(mode, &config, address, tokens.is_empty());

    let out_of_time = async {
        if stopped.await.is_err() {
            std::future::pending::<()>().await;
        }
        tokio::time::sleep(config.drain).await;
    };
    let ended = tokio::select! {
        ended = serving => ended.map_err(ServeError::Transport),
        () = out_of_time => {
            tracing::warn!("some calls did not end in time and are cut off");
            Ok(())
        }
    };
    runs.stop();
    tidying.abort();
    if let Some(monitoring) = monitoring {
        monitoring.abort();
    }
    if working.await.is_err() {
        tracing::error!("plan runs ended in a panic");
    }
    store.close().await;
    tracing::info!("fitupd stops");
    ended
}

/// The answers to requests are kept for so long, for their repeats.
const REPEATS: SignedDuration = SignedDuration::from_hours(30 * 24);

/// Forgets the answers to old requests, every hour.
async fn forget_old_requests(store: Arc<dyn Store>, clock: Clock) {
    let mut hours = tokio::time::interval(Duration::from_secs(3600));
    loop {
        hours.tick().await;
        let before = clock.now().saturating_sub(REPEATS).unwrap_or(Timestamp::MIN);
        match store.purge_requests(before).await {
            Ok(0) => {}
            Ok(count) => tracing::info!(count, "forgot the answers to old requests"),
            Err(error) => tracing::warn!(error = chain(&error), "old requests are still kept"),
        }
    }
}

/// Opens the PostgreSQL database, or else the one in the folder `data`, which is made if only its last part is missing.
///
/// # Errors
/// If it cannot be opened.
pub async fn open_store(database: Option<&str>, data: &Path) -> Result<Arc<dyn Store>, ServeError> {
    if let Some(database) = database {
        return Ok(fitup_store::open(database).await?);
    }
    if !data.exists() {
        let failed = |source| ServeError::Folder { folder: data.to_owned(), source };
        std::fs::create_dir(data).map_err(failed)?;
    }
    Ok(Arc::new(SqliteStore::open(data).await?))
}

fn run_settings(config: &Config) -> plan_runs::Settings {
    plan_runs::Settings {
        at_once: config.plan_runs,
        threads: (config.solver_threads / config.plan_runs.max(1)).max(1),
        unfinished_limit: config.queue_limit,
        unfinished_limit_in_all: config.queue_limit_in_all,
        lease: config.lease,
        alone: config.database.is_none(),
    }
}

fn reflection() -> tonic_reflection::server::Builder<'static> {
    tonic_reflection::server::Builder::configure()
        .register_encoded_file_descriptor_set(v1::DESCRIPTORS)
        .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
}

async fn set_all(reporter: &HealthReporter, status: ServingStatus) {
    for service in SERVICES.into_iter().chain([""]) {
        reporter.set_service_status(service, status).await;
    }
}

/// Ends the streams of those who watch the health, since they would never end by themselves.
async fn clear_all(mut reporter: HealthReporter) {
    // Time to tell them that nothing is served any more.
    tokio::time::sleep(Duration::from_millis(20)).await;
    for service in SERVICES {
        reporter.clear_service_status(service).await;
    }
    reporter.clear_service_status("").await;
}
