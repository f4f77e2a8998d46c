//! `fitup plan publish`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::{json, names};

/// Make a plan the one that the floor works by
#[derive(Debug, Args)]
pub struct PublishArgs {
    /// Id of the plan
    plan: String,
}

impl PublishArgs {
    /// Publishes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        publish(context, &names::plan(&context.shop_id().await?, &self.plan)).await?;
        if context.output.json {
            context.output.object(&json::Done { id: self.plan, done: "published" });
        } else {
            context.output.text(&format!("plan {} published", self.plan));
        }
        Ok(())
    }
}

/// Publishes the plan of that name.
pub async fn publish(context: &Context, name: &str) -> Result<v1::Plan, Failure> {
    let request = v1::PublishPlanRequest { name: name.to_owned(), request_id: request_id() };
    let answer = context.link.call(request, async |request| context.link.plans().publish_plan(request).await);
    Ok(answer.await?)
}
