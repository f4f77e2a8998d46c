//! `fitup take-in`.

mod counter;
mod file;
mod new;
mod settle;
mod show;
mod shown;

pub use counter::{Counter, FromLines, book};
pub use file::Lines;
pub use settle::{Day, Settle};
pub use shown::{cautions, wrapped};

use clap::Subcommand;
use fitup_proto::v1;
use tonic::Status;

use crate::cli::Context;
use crate::error::Failure;

/// Verbs of `fitup take-in`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make a repair order from the lines of an estimate
    New(Box<new::NewArgs>),
    /// Take the changed lines of an order in: those that are missing go
    Change(Box<file::ChangeArgs>),
    /// Take in lines that come besides, or in the place of those with the same name
    Supplement(Box<file::SupplementArgs>),
    /// Show what an order was made from, and by which rules
    Show(show::ShowArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::New(args) => args.run(context).await,
            Self::Change(args) => args.run(context).await,
            Self::Supplement(args) => args.run(context).await,
            Self::Show(args) => args.run(context).await,
        }
    }
}

async fn call(context: &Context, request: v1::TakeInOrderRequest) -> Result<v1::TakeIn, Status> {
    context.link.call(request, async |request| context.link.intake().take_in_order(request).await).await
}
