//! `fitup shop`.

mod apply;
mod chances;
pub mod changes;
mod delete;
mod list;
mod show;

use clap::Subcommand;

use crate::cli::Context;
use crate::error::Failure;

/// Verbs of `fitup shop`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Enter a shop from a file, or change what differs from the file
    Apply(apply::ApplyArgs),
    /// Show a shop
    Show(show::ShowArgs),
    /// Show what can happen and how often: as set, as recorded, and as learned
    Chances(chances::ChancesArgs),
    /// List the shops
    List(list::ListArgs),
    /// Remove a shop with its orders and plans
    Delete(delete::DeleteArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::Apply(args) => args.run(context).await,
            Self::Show(args) => args.run(context).await,
            Self::Chances(args) => args.run(context).await,
            Self::List(args) => args.run(context).await,
            Self::Delete(args) => args.run(context).await,
        }
    }
}
