//! `fitupd`: parses its settings, sets up the log, binds the port, serves until it is told to stop.

use std::io::Write;
use std::net::SocketAddr;
use std::process::ExitCode;

use anyhow::Context;
use clap::{Parser, ValueEnum};
use fitup_server::Config;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

/// Keeps the repair orders of collision-repair shops and plans their work
#[derive(Parser)]
#[command(name = "fitupd", version, max_term_width = 100)]
struct Cli {
    /// Address to listen on; port 0 is any free one
    #[arg(long, env = "FITUPD_LISTEN", value_name = "ADDRESS", default_value = "127.0.0.1:50610")]
    listen: SocketAddr,

    /// Form of the log, on stderr
    #[arg(long, env = "FITUPD_LOG_FORMAT", value_name = "FORMAT", default_value = "text")]
    log_format: LogFormat,

    /// What is logged: error, warn, info, debug or trace, also by module
    #[arg(long, env = "FITUPD_LOG", value_name = "FILTER", default_value = "info")]
    log: String,

    #[command(flatten)]
    config: Config,
}

#[derive(Clone, Copy, ValueEnum)]
enum LogFormat {
    Text,
    Json,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    match run(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Fails if nobody reads it.
            let _ = writeln!(std::io::stderr(), "error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

#[tokio::main]
async fn run(cli: Cli) -> anyhow::Result<()> {
    set_up_log(cli.log_format, &cli.log)?;
    let mut terminate = signal(SignalKind::terminate()).context("SIGTERM cannot be handled")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("SIGINT cannot be handled")?;
    let listener = TcpListener::bind(cli.listen).await.with_context(|| {
        format!("cannot listen on {}; is another fitupd running? choose another address with --listen", cli.listen)
    })?;
    let shutdown = async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    };
    fitup_server::serve(cli.config, listener, shutdown).await?;
    Ok(())
}

fn set_up_log(format: LogFormat, filter: &str) -> anyhow::Result<()> {
    let filter = EnvFilter::try_new(filter).context("--log is no filter; use a level such as info")?;
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    match format {
        LogFormat::Text => builder.with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr())).init(),
        LogFormat::Json => builder.json().flatten_event(true).with_span_list(false).init(),
    }
    Ok(())
}
