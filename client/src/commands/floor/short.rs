//! `fitup floor short`.

use clap::Args;
use fitup_proto::v1::record_resource_request::Event;

use super::{Range, When, resource};
use crate::cli::Context;
use crate::error::Failure;

/// Say that pieces of equipment are out
#[derive(Debug, Args)]
pub struct ShortArgs {
    /// Id of the equipment
    equipment: String,
    /// How many pieces
    #[arg(long, value_name = "COUNT", default_value_t = 1)]
    count: i32,
    #[command(flatten)]
    range: Range,
    #[command(flatten)]
    when: When,
}

impl ShortArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let range = self.range.read(self.equipment, self.count, &at.zone)?;
        resource(context, &at, &self.when, Event::EquipmentShort(range)).await
    }
}
