//! `fitup shop delete`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::{json, names};

/// Remove a shop with its orders and plans
#[derive(Debug, Args)]
pub struct DeleteArgs {
    /// Id of the shop
    id: String,
}

impl DeleteArgs {
    /// Removes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let name = names::shop(&self.id);
        let request = v1::DeleteShopRequest { name, etag: String::new(), request_id: request_id() };
        context.link.call(request, async |request| context.link.shops().delete_shop(request).await).await?;
        if context.output.json {
            context.output.object(&json::Done { id: self.id, done: "removed" });
        } else {
            context.output.text(&format!("shop {} removed, with its orders and plans", self.id));
        }
        Ok(())
    }
}
