//! `fitup floor list`.

use clap::Args;
use fitup_proto::v1;

use super::optional;
use crate::cli::Context;
use crate::error::Failure;
use crate::floor_words::dispatch_list;
use crate::{json, names};

/// Show what each technician and each bay does today: next, waiting for what, blocked by what
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Only these technicians or bays
    ids: Vec<String>,
    /// At this time; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl ListArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let as_of_time = optional("--as-of", self.as_of.as_deref(), &at.zone)?;
        let request = v1::GetDispatchListRequest { parent: names::shop(&at.id), as_of_time };
        let send = async |request| context.link.floor().get_dispatch_list(request).await;
        let mut list = context.link.call(request, send).await?;
        let known: Vec<String> = list.technicians.iter().chain(&list.bays).map(|lane| lane.id.clone()).collect();
        if let Some(unknown) = self.ids.iter().find(|id| !known.contains(id)) {
            return Err(Failure::usage(format!(
                "no technician and no bay \"{unknown}\"; there are: {}",
                known.join(", ")
            )));
        }
        if !self.ids.is_empty() {
            list.technicians.retain(|lane| self.ids.contains(&lane.id));
            list.bays.retain(|lane| self.ids.contains(&lane.id));
        }
        if context.output.json {
            json::lanes(&list).iter().for_each(|lane| context.output.object(lane));
        } else {
            context.output.text(&dispatch_list(&list, &at.zone, context.output.width));
        }
        Ok(())
    }
}
