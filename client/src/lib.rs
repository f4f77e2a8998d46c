//! The command line of fitup: a gRPC client that knows the contract and nothing else of the service.
//!
//! In reading order: [`cli`] is the command line and what every command is given, [`commands`] has a file for each noun
//! or verb; [`mod@file`] reads and prints what people write by hand, [`outline`] the job outlines; [`timeline`] draws plans, [`drawing`] what comes after what;
//! [`json`] is what `--json` prints; [`mod@wire`] turns times into those of the contract;
//! [`connect`], [`error`] and [`output`] are the edges: the server, what can go wrong,
//! and the streams. [`main`] is the program.

pub mod cli;
pub mod commands;
pub mod connect;
pub mod drawing;
pub mod error;
pub mod file;
pub mod floor_words;
pub mod json;
pub mod names;
pub mod outline;
pub mod output;
pub mod timeline;
pub mod wire;
pub mod words;

use std::process::ExitCode;

use clap::Parser;

use crate::cli::Cli;
use crate::error::{Failure, Kind};

/// Parses the command line, does what it asks for, reports, and returns the exit code.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let output = cli.output();
    std::panic::set_hook(Box::new(move |panic| {
        let failure = Failure::new(Kind::Bug, "this is a bug of fitup").cause(panic.to_string());
        output.failure(&failure.hint("please report it with the command that you typed"));
        std::process::exit(Kind::Bug as i32);
    }));
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
