//! `fitup floor finish`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, work};
use crate::cli::Context;
use crate::error::Failure;

/// Say that an operation is done, early or late
#[derive(Debug, Args)]
pub struct FinishArgs {
    #[command(flatten)]
    place: Place,
}

impl FinishArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        work(context, self.place, Event::Finish(v1::Finish {})).await
    }
}
