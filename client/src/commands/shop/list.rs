//! `fitup shop list`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::json;
use crate::output::columns;

/// List the shops
#[derive(Debug, Args)]
pub struct ListArgs {}

impl ListArgs {
    /// Prints a line for each.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let mut page_token = String::new();
        let mut rows = vec![["id", "name", "bays", "technicians", "time zone"].map(str::to_owned).to_vec()];
        loop {
            let request = v1::ListShopsRequest { page_size: 500, page_token };
            let page = context.link.call(request, async |request| context.link.shops().list_shops(request).await);
            let page = page.await?;
            for shop in &page.shops {
                let line = json::ShopLine::from(shop);
                if context.output.json {
                    context.output.object(&line);
                    continue;
                }
                let (bays, technicians) = (line.bays.to_string(), line.technicians.to_string());
                rows.push(vec![line.id, line.name, bays, technicians, line.time_zone]);
            }
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        if !context.output.json && rows.len() > 1 {
            context.output.text(&columns(&rows));
        } else if rows.len() == 1 && !context.output.json {
            context.output.note("there is no shop yet; enter one with `fitup shop apply FILE`");
        }
        Ok(())
    }
}
