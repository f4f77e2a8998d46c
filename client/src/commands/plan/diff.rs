//! `fitup plan diff`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::{floor_words, json, names};

/// Show how two plans differ: which operations move, and why, and which promises
#[derive(Debug, Args)]
pub struct DiffArgs {
    /// Id of the first plan; `-` is the published one; without it the one that was published before
    before: Option<String>,
    /// Id of the second plan; `-`, or nothing, is the published one
    after: Option<String>,
}

impl DiffArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let before = match self.before {
            Some(before) => before,
            None => super::before(context, &at.id).await?,
        };
        let (before, after) = (names::plan(&at.id, &before), names::plan(&at.id, self.after.as_deref().unwrap_or("-")));
        let request = v1::DiffPlansRequest { before, after };
        let send = async |request| context.link.replans().diff_plans(request).await;
        let diff = context.link.call(request, send).await?;
        if context.output.json {
            context.output.object(&json::PlanDiff::from(&diff));
        } else {
            context.output.text(&floor_words::diff(&diff, &at.zone));
        }
        Ok(())
    }
}
