//! `fitup floor overtime`.

use clap::Args;
use fitup_proto::v1::record_resource_request::Event;

use super::{Range, When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Open overtime of a technician, which a plan may then use
#[derive(Debug, Args)]
pub struct OvertimeArgs {
    /// Id of the technician
    technician: String,
    #[command(flatten)]
    range: Range,
    #[command(flatten)]
    when: When,
}

impl OvertimeArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let range = self.range.read(self.technician, 0, &at.zone)?;
        resource(context, &at, &self.when, Event::Overtime(range)).await
    }
}
