//! `fitup floor whole`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_resource_request::Event;

use super::{When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that all pieces are there again, earlier than was said
#[derive(Debug, Args)]
pub struct WholeArgs {
    /// Id of the equipment
    equipment: String,
    #[command(flatten)]
    when: When,
}

impl WholeArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        resource(context, &at, &self.when, Event::EquipmentWhole(v1::ResourceEnd { id: self.equipment })).await
    }
}
