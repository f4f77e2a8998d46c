//! `fitup floor down`.

use clap::Args;
use fitup_proto::v1::record_resource_request::Event;

use super::{Range, When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that a bay or booth is down
#[derive(Debug, Args)]
pub struct DownArgs {
    /// Id of the bay
    bay: String,
    #[command(flatten)]
    range: Range,
    #[command(flatten)]
    when: When,
}

impl DownArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let range = self.range.read(self.bay, 0, &at.zone)?;
        resource(context, &at, &self.when, Event::BayDown(range)).await
    }
}
