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

/// Returns the id of the plan that was published before the one that is now: the latest superseded one.
async fn before(context: &Context, shop: &str) -> Result<String, Failure> {
    let request = v1::ListPlansRequest { parent: names::shop(shop), page_size: 500, page_token: String::new() };
    let answer = context.link.call(request, async |request| context.link.plans().list_plans(request).await).await?;
    let found = answer.plans.iter().find(|plan| plan.state() == v1::plan::State::Superseded);
    let id = found.map(|plan| names::last(&plan.name).to_owned());
    id.ok_or_else(|| {
        Failure::new(crate::error::Kind::Refused, "no other plan was published before")
            .hint("list the plans with `fitup plan list`, and name one")
    })
}

/// Returns a plan; without an id the published one, and if there is none the latest.
async fn get(context: &Context, shop: &str, plan: Option<&str>) -> Result<v1::Plan, Failure> {
    let request = v1::GetPlanRequest { name: names::plan(shop, plan.unwrap_or("-")) };
    let answer = context.link.call(request, async |request| context.link.plans().get_plan(request).await);
    Ok(answer.await?)
}
