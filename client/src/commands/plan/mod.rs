//! `fitup plan`.

mod cautions;
mod diff;
mod late;
mod list;
mod publish;
mod restore;
mod run;
mod show;
mod solve;
mod watch;

use clap::Subcommand;
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::names;

/// Verbs of `fitup plan`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make a plan
    Solve(solve::SolveArgs),
    /// Show a plan as a timeline
    Show(show::ShowArgs),
    /// List the orders that will be late, and why, a line each
    Late(late::LateArgs),
    /// List the plans, the latest first
    List(list::ListArgs),
    /// Make a plan the one that the floor works by
    Publish(publish::PublishArgs),
    /// Show how two plans differ: which operations move, and why, and which promises
    Diff(diff::DiffArgs),
    /// Publish an earlier plan again, if it is still feasible today
    Restore(restore::RestoreArgs),
    /// Look after plan runs: searches for a plan
    #[command(subcommand)]
    Run(run::Command),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::Solve(args) => args.run(context).await,
            Self::Show(args) => args.run(context).await,
            Self::Late(args) => args.run(context).await,
            Self::List(args) => args.run(context).await,
            Self::Publish(args) => args.run(context).await,
            Self::Diff(args) => args.run(context).await,
            Self::Restore(args) => args.run(context).await,
            Self::Run(command) => command.run(context).await,
        }
    }
}

pub use publish::publish;

/// Returns the id of the plan that was published before the one that is now.
async fn before(context: &Context, shop: &str) -> Result<String, Failure> {
    let published = get(context, shop, None).await?;
    if published.replaced_plan.is_empty() {
        let failure = Failure::new(crate::error::Kind::Refused, "no other plan was published before");
        return Err(failure.hint("list the plans with `fitup plan list`, and name one"));
    }
    Ok(names::last(&published.replaced_plan).to_owned())
}

/// Returns a plan; without an id the published one, and if there is none the latest.
async fn get(context: &Context, shop: &str, plan: Option<&str>) -> Result<v1::Plan, Failure> {
    let request = v1::GetPlanRequest { name: names::plan(shop, plan.unwrap_or("-")) };
    let answer = context.link.call(request, async |request| context.link.plans().get_plan(request).await);
    Ok(answer.await?)
}
