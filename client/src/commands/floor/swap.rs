//! `fitup floor swap`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::settle_work_request::Settlement;

use super::{Place, settle};
use crate::cli::Context;
use crate::error::Failure;

/// Put one technician in another's place
///
/// On work that runs it is so at once; work to come is pinned to the new crew.
#[derive(Debug, Args)]
pub struct SwapArgs {
    #[command(flatten)]
    place: Place,
    /// Who leaves
    #[arg(long, value_name = "TECHNICIAN")]
    out: String,
    /// Who comes
    #[arg(long = "for", value_name = "TECHNICIAN")]
    into: String,
}

impl SwapArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let swap = v1::Swap { out: self.out, into: self.into };
        settle(context, &at, self.place, Settlement::Swap(swap)).await
    }
}
