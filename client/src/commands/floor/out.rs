//! `fitup floor out`.

use clap::Args;
use fitup_proto::v1::record_resource_request::Event;

use super::{Range, When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that a technician is out
#[derive(Debug, Args)]
pub struct OutArgs {
    /// Id of the technician
    technician: String,
    #[command(flatten)]
    range: Range,
    #[command(flatten)]
    when: When,
}

impl OutArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let range = self.range.read(self.technician, 0, &at.zone)?;
        resource(context, &at, &self.when, Event::TechnicianOut(range)).await
    }
}
