//! `fitup hold release`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::{json, names};

/// Give a hold up: its place is free
#[derive(Debug, Args)]
pub struct ReleaseArgs {
    /// Id of the hold
    id: String,
}

impl ReleaseArgs {
    /// Releases it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let name = names::hold(&context.shop_id().await?, &self.id);
        let request = v1::ReleaseHoldRequest { name, etag: String::new(), request_id: request_id() };
        let hold = context.link.call(request, async |request| context.link.quotes().release_hold(request).await);
        let hold = hold.await?;
        if context.output.json {
            context.output.object(&json::Hold::from(&hold));
        } else if hold.state() == v1::hold::State::Expired {
            context.output.text(&format!("hold {} had expired; its place is free", self.id));
        } else {
            context.output.text(&format!("hold {} released; its place is free", self.id));
        }
        Ok(())
    }
}
