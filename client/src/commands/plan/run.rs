//! `fitup plan run`.

use clap::{Args, Subcommand};
use fitup_proto::v1;

use super::solve::plan_of;
use super::watch::{cancel, watch};
use crate::cli::Context;
use crate::error::Failure;
use crate::names::last;
use crate::output::columns;
use crate::words::{gap, grouped, proto_when};
use crate::{json, names};

/// Verbs of `fitup plan run`.
#[derive(Debug, Subcommand)]
pub enum Command {
    List(ListArgs),
    Watch(WatchArgs),
    Cancel(CancelArgs),
}

/// List the plan runs, the latest first
#[derive(Debug, Args)]
pub struct ListArgs {
    /// At most so many
    #[arg(long, default_value_t = 20, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=500))]
    limit: i32,
}

/// Watch a plan run to its end
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// Id of the run
    run: String,
}

/// End a plan run, with the best plan found so far
#[derive(Debug, Args)]
pub struct CancelArgs {
    /// Id of the run
    run: String,
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::List(args) => args.run(context).await,
            Self::Watch(args) => args.run(context).await,
            Self::Cancel(args) => args.run(context).await,
        }
    }
}

impl ListArgs {
    async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let parent = names::shop(&at.id);
        let request = v1::ListPlanRunsRequest { parent, page_size: self.limit, page_token: String::new() };
        let page = context.link.call(request, async |request| context.link.plans().list_plan_runs(request).await);
        let page = page.await?;
        if context.output.json {
            page.plan_runs.iter().for_each(|run| context.output.object(&json::Run::from(run)));
            return Ok(());
        }
        if page.plan_runs.is_empty() {
            context.output.note("there is no plan run yet; start one with `fitup plan solve`");
            return Ok(());
        }
        let mut rows = vec![["run", "asked for", "state", "price", "plan"].map(str::to_owned).to_vec()];
        for run in &page.plan_runs {
            rows.push(vec![
                last(&run.name).to_owned(),
                proto_when(run.create_time.as_ref(), &at.zone),
                state(run).to_owned(),
                run.best_price.map_or_else(|| "-".to_owned(), grouped),
                if run.plan.is_empty() { "-".to_owned() } else { last(&run.plan).to_owned() },
            ]);
        }
        context.output.text(&columns(&rows));
        Ok(())
    }
}

impl WatchArgs {
    async fn run(self, context: &Context) -> Result<(), Failure> {
        let name = names::plan_run(&context.shop_id().await?, &self.run);
        let request = v1::GetPlanRunRequest { name };
        let run = context.link.call(request, async |request| context.link.plans().get_plan_run(request).await);
        let run = watch(context, run.await?).await?;
        tell(context, &run)
    }
}

impl CancelArgs {
    async fn run(self, context: &Context) -> Result<(), Failure> {
        let run = cancel(context, &names::plan_run(&context.shop_id().await?, &self.run)).await?;
        tell(context, &run)
    }
}

fn tell(context: &Context, run: &v1::PlanRun) -> Result<(), Failure> {
    let (id, state) = (last(&run.name), state(run));
    if context.output.json {
        context.output.object(&json::Run::from(run));
    } else if let (Some(price), false) = (run.best_price, run.plan.is_empty()) {
        let quality = gap(price, run.bound);
        context.output.text(&format!(
            "plan run {id} {state}: plan {}, price {}, {quality}",
            last(&run.plan),
            grouped(price)
        ));
    } else {
        context.output.text(&format!("plan run {id} {state}"));
    }
    if run.state() == v1::plan_run::State::Failed { plan_of(run).map(|_| ()) } else { Ok(()) }
}

fn state(run: &v1::PlanRun) -> &'static str {
    match run.state() {
        v1::plan_run::State::Queued => "queued",
        v1::plan_run::State::Running => "running",
        v1::plan_run::State::Succeeded => "succeeded",
        v1::plan_run::State::Cancelled => "cancelled",
        v1::plan_run::State::Failed => "failed",
        v1::plan_run::State::Unspecified => "unknown",
    }
}
