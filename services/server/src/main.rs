//! `fitupd`: parses its settings, sets up the log, binds the port, serves until it is told to stop.

use std::io::Write;
use std::net::SocketAddr;
use std::process::ExitCode;

use anyhow::Context;
use clap::{Parser, Subcommand, ValueEnum};
use fitup_server::Config;
use fitup_server::access::mode::mode;
use fitup_server::first_token::FirstToken;
use jiff::Timestamp;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

/// Keeps the repair orders of collision-repair shops and plans their work
#[derive(Parser)]
#[command(name = "fitupd", version, max_term_width = 100, args_conflicts_with_subcommands = true)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,

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

#[derive(Subcommand)]
enum Command {
    /// Tokens, in the database itself
    #[command(subcommand)]
    Token(TokenCommand),
}

#[derive(Subcommand)]
enum TokenCommand {
    Create(FirstToken),
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
    if let Some(Command::Token(TokenCommand::Create(token))) = cli.command {
        return make_token(token).await;
    }
    set_up_log(cli.log_format, &cli.log)?;
    let mut terminate = signal(SignalKind::terminate()).context("SIGTERM cannot be handled")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("SIGINT cannot be handled")?;
    // Before anybody can connect.
    mode(&cli.config, cli.listen)?;
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

/// Prints the secret alone on stdout, for a pipe or a file, and what it is on stderr.
async fn make_token(token: FirstToken) -> anyhow::Result<()> {
    let (made, secret) = token.make(Timestamp::now()).await?;
    writeln!(std::io::stdout(), "{}", secret.text()).context("the secret cannot be printed; the token is useless")?;
    let role = made.role.word().replace('_', " ");
    let told = format!(
        "token {} for {:?}, {role}, until {:.0}; its secret is told this once",
        made.id, made.display_name, made.expire_time
    );
    // Fails if nobody reads it.
    let _ = writeln!(std::io::stderr(), "{told}");
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
