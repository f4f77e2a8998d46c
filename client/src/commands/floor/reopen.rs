//! `fitup floor reopen`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, left, work};
use crate::cli::Context;
use crate::error::Failure;

/// Say that an operation is not done after all
#[derive(Debug, Args)]
pub struct ReopenArgs {
    #[command(flatten)]
    place: Place,
    /// Booked hours that are left
    #[arg(long, value_name = "HOURS")]
    left: String,
    /// Why it is not done
    #[arg(long, value_name = "TEXT")]
    reason: String,
}

impl ReopenArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let remaining_work = left(Some(&self.left))?;
        work(context, self.place, Event::Reopen(v1::Reopen { remaining_work, reason: self.reason })).await
    }
}
