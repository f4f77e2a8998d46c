//! The command line of fitup: a gRPC client that knows the contract and nothing else of the service.
//!
//! In reading order: [`cli`] is the command line and what every command is given, [`commands`] has a file for each noun
//! or verb; [`file`] reads and prints what people write by hand, [`outline`] the job outlines; [`timeline`] draws plans;
//! [`json`] is what `--json` prints; [`connect`], [`error`] and [`output`] are the edges: the server, what can go wrong,
//! and the streams.

pub mod cli;
pub mod commands;
pub mod connect;
pub mod error;
pub mod file;
pub mod json;
pub mod names;
pub mod outline;
pub mod output;
pub mod timeline;
pub mod words;
