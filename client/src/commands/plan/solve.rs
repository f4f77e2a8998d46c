//! `fitup plan solve`.

use std::time::Duration;

use clap::Args;
use fitup_proto::v1;

use super::get;
use super::publish::publish;
use super::watch::watch;
use crate::cli::{Context, seconds};
use crate::connect::request_id;
use crate::error::{Failure, Kind};
use crate::file::text::proto_instant;
use crate::json;
use crate::names::{self, last};
use crate::timeline::summary::summary;
use crate::timeline::{Scene, late};
use crate::words::count;

/// Make a plan
///
/// Starts a plan run, shows how the price falls and the bound rises, and ends with a summary. Ctrl-C ends the search, and
/// the best plan found so far is shown.
#[derive(Debug, Args)]
pub struct SolveArgs {
    /// Search at most so long; without it 5 seconds
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    seconds: Option<Duration>,
    /// Take at most so many steps
    #[arg(long, value_name = "COUNT", default_value_t = 0, hide_default_value = true)]
    iterations: i64,
    /// Seed of the search
    #[arg(long, default_value_t = 0)]
    seed: i64,
    /// Stop when the best plan can be at most so many percent cheaper
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0, hide_default_value = true)]
    gap: f64,
    /// Plan for this time: nothing new starts before; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Start the run and do not wait for it
    #[arg(long, conflicts_with = "publish")]
    detach: bool,
    /// Publish the plan
    #[arg(long)]
    publish: bool,
}

impl SolveArgs {
    /// Makes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let wrong = |problem| Failure::usage(format!("--as-of: {problem}"));
        let as_of_time = self.as_of.as_deref().map(|time| proto_instant(time, &at.zone).map_err(wrong)).transpose()?;
        let limits = v1::plan_run::Limits {
            time_limit: self.seconds.map(|limit| prost_types::Duration {
                seconds: limit.as_secs() as i64,
                nanos: limit.subsec_nanos() as i32,
            }),
            iteration_limit: self.iterations,
            seed: self.seed,
            gap_limit: self.gap / 100.0,
            as_of_time,
        };
        let parent = names::shop(&at.id);
        let request = v1::CreatePlanRunRequest { parent, limits: Some(limits), request_id: request_id() };
        let run = context.link.call(request, async |request| context.link.plans().create_plan_run(request).await);
        let run = run.await?;
        let output = context.output;
        if self.detach {
            if output.json {
                output.object(&json::Run::from(&run));
            } else {
                let id = last(&run.name);
                output.text(&format!("plan run {id} started; watch it with `fitup plan run watch {id}`"));
            }
            return Ok(());
        }
        let run = watch(context, run).await?;
        let mut plan = get(context, &at.id, Some(plan_of(&run)?)).await?;
        if self.publish {
            let published = publish(context, &plan.name).await?;
            plan.set_state(published.state());
            plan.stale = published.stale;
        }
        if output.json {
            output.object(&json::Plan::from(&plan));
        } else {
            let (width, paint) = (output.width, output.paint());
            let scene = Scene { plan: &plan, shop: &at.shop, zone: &at.zone, width, paint };
            let late = if late::late(&plan).is_empty() { String::new() } else { format!("\n{}", late::draw(&scene)) };
            output.text(&format!("{}{late}", summary(&scene)));
        }
        complete(&plan)
    }
}

/// Returns the id of the plan that a run ended with.
pub fn plan_of(run: &v1::PlanRun) -> Result<&str, Failure> {
    if !run.plan.is_empty() {
        return Ok(last(&run.plan));
    }
    let failure = Failure::new(Kind::Incomplete, format!("plan run {} ended without a plan", last(&run.name)));
    Err(if run.failure.is_empty() { failure } else { failure.cause(run.failure.clone()) }
        .hint("give it longer, such as `fitup plan solve --seconds 60`"))
}

/// Tells as a failure that orders are left out.
fn complete(plan: &v1::Plan) -> Result<(), Failure> {
    if plan.left_out.is_empty() {
        return Ok(());
    }
    let mut failure =
        Failure::new(Kind::Incomplete, format!("{} could not be planned", count(plan.left_out.len(), "order")));
    for left in &plan.left_out {
        let operation =
            if left.operation.is_empty() { String::new() } else { format!(", operation {}", left.operation) };
        failure = failure.cause(format!("order {}{operation}: {} ({})", last(&left.order), left.message, left.reason));
    }
    let (order, plan) = (last(&plan.left_out[0].order), last(&plan.name));
    Err(failure.hint(format!("see which rules leave it no place with `fitup why {order} --plan {plan}`")))
}
