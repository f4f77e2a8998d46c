//! `fitup floor pause`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, left, work};
use crate::cli::Context;
use crate::error::Failure;

/// Stop an operation for a reason
///
/// Everybody is clocked off; the car keeps its bay, and what is left is planned anew.
#[derive(Debug, Args)]
pub struct PauseArgs {
    #[command(flatten)]
    place: Place,
    /// Why it stops
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// Booked hours left; without it by the clock
    #[arg(long, value_name = "HOURS")]
    left: Option<String>,
}

impl PauseArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let remaining_work = left(self.left.as_deref())?;
        work(context, self.place, Event::Pause(v1::Pause { reason: self.reason, remaining_work })).await
    }
}
