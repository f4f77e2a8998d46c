//! `fitup floor off`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, left, work};
use crate::cli::Context;
use crate::error::Failure;

/// Clock people off and leave the operation unfinished
///
/// It pauses when nobody is left on it, and keeps its bay.
#[derive(Debug, Args)]
pub struct OffArgs {
    #[command(flatten)]
    place: Place,
    /// Who; without it all
    #[arg(long, num_args = 1.., value_delimiter = ',', value_name = "TECHNICIAN")]
    by: Vec<String>,
    /// Booked hours left; without it by the clock
    #[arg(long, value_name = "HOURS")]
    left: Option<String>,
}

impl OffArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let remaining_work = left(self.left.as_deref())?;
        work(context, self.place, Event::Off(v1::ClockOff { technicians: self.by, remaining_work })).await
    }
}
