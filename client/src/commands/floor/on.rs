//! `fitup floor on`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, work};
use crate::cli::Context;
use crate::error::Failure;

/// Clock people on: an operation starts, goes on, or gets another hand
///
/// Refused while something that must come before it is not done, a part or an approval is missing, or somebody is still
/// clocked on elsewhere. Unattended work, such as a bake or a cure, begins and ends by itself.
#[derive(Debug, Args)]
pub struct OnArgs {
    #[command(flatten)]
    place: Place,
    /// Who; without it the planned crew
    #[arg(long, num_args = 1.., value_delimiter = ',', value_name = "TECHNICIAN")]
    by: Vec<String>,
    /// In which bay, if its visit begins with it; without it the planned bay
    #[arg(long = "in", value_name = "BAY", default_value = "", hide_default_value = true)]
    bay: String,
}

impl OnArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        work(context, self.place, Event::On(v1::ClockOn { technicians: self.by, bay: self.bay })).await
    }
}
