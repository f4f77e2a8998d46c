//! The program `fitup`: parses, runs, reports.

use std::process::ExitCode;

use clap::Parser;
use fitup_client::cli::Cli;
use fitup_client::error::{Failure, Kind};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let output = cli.output();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let result = match runtime {
        Ok(runtime) => runtime.block_on(cli.run()),
        Err(error) => Err(Failure::new(Kind::Bug, "cannot start").cause(error.to_string())),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            output.failure(&failure);
            ExitCode::from(failure.kind as u8)
        }
    }
}
