//! `fitup hold show`.

use clap::Args;
use fitup_proto::v1;

use super::{draw, made_from};
use crate::cli::Context;
use crate::error::Failure;
use crate::file::write::write_order;
use crate::{json, names};

/// Show a hold
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Id of the hold
    id: String,
}

impl ShowArgs {
    /// Prints it, and the order that it would become.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::GetHoldRequest { name: names::hold(&at.id, &self.id) };
        let hold = context.link.call(request, async |request| context.link.quotes().get_hold(request).await).await?;
        if context.output.json {
            context.output.object(&json::Hold::from(&hold));
            return Ok(());
        }
        context.output.text(&(draw(&hold, &at.zone) + &made_from(&hold) + "\n"));
        let order = hold.order.clone().unwrap_or_default();
        context.output.text(&write_order(&self.id, &order, &at.zone));
        Ok(())
    }
}
