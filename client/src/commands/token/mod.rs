//! `fitup token`.

mod create;
mod list;
mod revoke;

use clap::{Subcommand, ValueEnum};
use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::cli::Context;
use crate::error::Failure;
use crate::names;
use crate::wire::from_proto;

/// Verbs of `fitup token`.
#[derive(Debug, Subcommand)]
pub enum Command {
    Create(create::CreateArgs),
    List(list::ListArgs),
    Revoke(revoke::RevokeArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::Create(args) => args.run(context).await,
            Self::List(args) => args.run(context).await,
            Self::Revoke(args) => args.run(context).await,
        }
    }
}

/// What the bearer of a token may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Role {
    /// Runs the shop, and gives tokens out
    Manager,
    /// Talks with customers and enters repair orders
    ServiceWriter,
    /// Plans and publishes
    Dispatcher,
    /// Works on the floor
    Technician,
    /// Hangs on a wall, and only shows
    Screen,
}

impl From<Role> for v1::token::Role {
    fn from(role: Role) -> Self {
        match role {
            Role::Manager => Self::Manager,
            Role::ServiceWriter => Self::ServiceWriter,
            Role::Dispatcher => Self::Dispatcher,
            Role::Technician => Self::Technician,
            Role::Screen => Self::Screen,
        }
    }
}

/// Returns a role as it reads: `service writer`.
fn role(token: &v1::Token) -> String {
    token.role().as_str_name().trim_start_matches("ROLE_").to_lowercase().replace('_', " ")
}

fn shops(token: &v1::Token) -> String {
    if token.all_shops {
        return "all shops".to_owned();
    }
    token.shops.iter().map(|shop| names::last(shop)).collect::<Vec<_>>().join(", ")
}

/// Returns the day of an instant, in UTC: a token is for no single zone.
fn day(instant: Option<&prost_types::Timestamp>) -> String {
    from_proto(instant).map(|instant| TimeZone::UTC.to_datetime(instant).date().to_string()).unwrap_or_default()
}
