//! `fitup floor records`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::floor_words::record;
use crate::words::proto_when;
use crate::{json, names};

/// List what was recorded, the latest first
#[derive(Debug, Args)]
pub struct RecordsArgs {
    /// Only of this order
    #[arg(long, value_name = "ID")]
    order: Option<String>,
    /// At most so many
    #[arg(long, value_name = "COUNT", default_value_t = 50, value_parser = clap::value_parser!(i32).range(1..=500))]
    limit: i32,
}

impl RecordsArgs {
    /// Prints them.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::ListFloorRecordsRequest {
            parent: names::shop(&at.id),
            page_size: self.limit,
            page_token: String::new(),
            order: self.order.map(|order| names::order(&at.id, &order)).unwrap_or_default(),
        };
        let send = async |request| context.link.floor().list_floor_records(request).await;
        let answer = context.link.call(request, send).await?;
        for found in &answer.floor_records {
            if context.output.json {
                context.output.object(&json::FloorRecord::new(found, None));
            } else {
                let when = proto_when(found.event_time.as_ref(), &at.zone);
                context.output.text(&format!("{when}  {}  (by {})", record(found, &at.zone), found.actor));
            }
        }
        if answer.floor_records.is_empty() && !context.output.json {
            context.output.text("nothing was recorded yet");
        }
        Ok(())
    }
}
