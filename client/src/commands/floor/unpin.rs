//! `fitup floor unpin`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::settle_work_request::Settlement;

use super::{Place, settle};
use crate::cli::Context;
use crate::error::Failure;

/// Free an operation of all that it is tied to
#[derive(Debug, Args)]
pub struct UnpinArgs {
    #[command(flatten)]
    place: Place,
}

impl UnpinArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        settle(context, &at, self.place, Settlement::Unpin(v1::Unpin {})).await
    }
}
