//! `fitup plan restore`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::commands::order::word;
use crate::connect::request_id;
use crate::error::Failure;
use crate::json;
use crate::names::{self, last};

/// Publish an earlier plan again, if it is still feasible today
///
/// What it still has to say is checked against the facts of now and becomes a plan of its own. Refused, with what is in
/// the way, if it breaks a rule.
#[derive(Debug, Args)]
pub struct RestoreArgs {
    /// Id of the plan; without it the one that was published before: undo
    plan: Option<String>,
    /// At this time; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl RestoreArgs {
    /// Publishes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let as_of_time = self.as_of.as_deref().map(|time| word::instant("--as-of", time, &at.zone)).transpose()?;
        let earlier = match self.plan {
            Some(plan) => plan,
            None => super::before(context, &at.id).await?,
        };
        let name = names::plan(&at.id, &earlier);
        let request = v1::RestorePlanRequest { name, as_of_time, request_id: request_id() };
        let send = async |request| context.link.replans().restore_plan(request).await;
        let plan = context.link.call(request, send).await?;
        let id = last(&plan.name).to_owned();
        if context.output.json {
            context.output.object(&json::Done { id, done: "published" });
        } else {
            context.output.text(&format!("plan {earlier} published again, as plan {id}"));
            for left in &plan.left_out {
                context.output.text(&format!("left out: {}: {}", last(&left.order), left.message));
            }
        }
        Ok(())
    }
}
