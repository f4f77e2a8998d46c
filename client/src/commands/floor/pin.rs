//! `fitup floor pin`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::settle_work_request::Settlement;

use super::{Place, optional, settle};
use crate::cli::Context;
use crate::error::Failure;

/// Tie an operation to people, a bay or a start
///
/// Every plan from then on keeps to it. What is not said stays as it was.
#[derive(Debug, Args)]
pub struct PinArgs {
    #[command(flatten)]
    place: Place,
    /// To whom: one for each place of the crew
    #[arg(long, num_args = 1.., value_delimiter = ',', value_name = "TECHNICIAN")]
    to: Vec<String>,
    /// The bay of its visit
    #[arg(long = "in", value_name = "BAY", default_value = "", hide_default_value = true)]
    bay: String,
    /// When it starts
    #[arg(long, value_name = "TIME")]
    start: Option<String>,
}

impl PinArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let start_time = optional("--start", self.start.as_deref(), &at.zone)?;
        let pin = v1::Tie { technicians: self.to, bay: self.bay, start_time };
        settle(context, &at, self.place, Settlement::Pin(pin)).await
    }
}
