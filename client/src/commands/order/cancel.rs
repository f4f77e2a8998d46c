//! `fitup order cancel`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::{json, names};

/// Cancel a repair order: it stays readable and is in no further plan
#[derive(Debug, Args)]
pub struct CancelArgs {
    /// Id of the order
    id: String,
}

impl CancelArgs {
    /// Cancels it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let name = names::order(&context.shop_id().await?, &self.id);
        let request = v1::CancelOrderRequest { name, etag: String::new(), request_id: request_id() };
        context.link.call(request, async |request| context.link.orders().cancel_order(request).await).await?;
        if context.output.json {
            context.output.object(&json::Done { id: self.id, done: "cancelled" });
        } else {
            context.output.text(&format!("order {} cancelled", self.id));
        }
        Ok(())
    }
}
