//! `fitup floor back`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_resource_request::Event;

use super::{When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that a technician is back, earlier than was said
#[derive(Debug, Args)]
pub struct BackArgs {
    /// Id of the technician
    technician: String,
    #[command(flatten)]
    when: When,
}

impl BackArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        resource(context, &at, &self.when, Event::TechnicianBack(v1::ResourceEnd { id: self.technician })).await
    }
}
