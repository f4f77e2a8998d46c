//! `fitup plan late`.

use clap::Args;

use super::get;
use crate::cli::Context;
use crate::error::Failure;
use crate::json;
use crate::timeline::{Scene, late};

/// List the orders that will be late, and why, a line each
#[derive(Debug, Args)]
pub struct LateArgs {
    /// Id of the plan; without it the published one, and if there is none the latest
    plan: Option<String>,
}

impl LateArgs {
    /// Prints them.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let plan = get(context, &at.id, self.plan.as_deref()).await?;
        let output = context.output;
        if output.json {
            late::late(&plan).into_iter().for_each(|order| output.object(&json::OrderPlan::from(order)));
            return Ok(());
        }
        let scene = Scene { plan: &plan, shop: &at.shop, zone: &at.zone, width: output.width, paint: output.paint() };
        output.text(&late::draw(&scene));
        Ok(())
    }
}
