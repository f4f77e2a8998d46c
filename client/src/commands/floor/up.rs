//! `fitup floor up`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_resource_request::Event;

use super::{When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that a bay is up again, earlier than was said
#[derive(Debug, Args)]
pub struct UpArgs {
    /// Id of the bay
    bay: String,
    #[command(flatten)]
    when: When,
}

impl UpArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        resource(context, &at, &self.when, Event::BayUp(v1::ResourceEnd { id: self.bay })).await
    }
}
