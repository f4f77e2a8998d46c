//! `fitup floor impact`.

use clap::Args;

use super::{impact_of, optional};
use crate::cli::Context;
use crate::error::Failure;
use crate::floor_words::hits;
use crate::json;

/// Show what the facts do to the published plan if nobody does anything
///
/// Everything keeps its people, its bay and its turn, and only moves back as far as the facts push it.
#[derive(Debug, Args)]
pub struct ImpactArgs {
    /// At this time; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl ImpactArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let as_of = optional("--as-of", self.as_of.as_deref(), &at.zone)?;
        let impact = impact_of(context, &at.id, as_of).await?;
        if context.output.json {
            context.output.object(&json::Impact::from(&impact));
        } else {
            context.output.text(&hits(&impact, &at.zone));
        }
        Ok(())
    }
}
