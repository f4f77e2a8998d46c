//! `fitup hold accept`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::words::proto_when;
use crate::{json, names};

/// Make an order of a hold, with its promise, in its place in the plan
#[derive(Debug, Args)]
pub struct AcceptArgs {
    /// Id of the hold
    id: String,
}

impl AcceptArgs {
    /// Accepts it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let name = names::hold(&at.id, &self.id);
        let request = v1::AcceptHoldRequest { name, etag: String::new(), request_id: request_id() };
        let hold = context.link.call(request, async |request| context.link.quotes().accept_hold(request).await).await?;
        if context.output.json {
            context.output.object(&json::Hold::from(&hold));
        } else {
            let promise = hold.order.as_ref().and_then(|order| order.promise_time);
            let promise = proto_when(promise.as_ref(), &at.zone);
            context.output.text(&format!("order {} entered, promised {promise}", self.id));
        }
        Ok(())
    }
}
