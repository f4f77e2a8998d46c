//! `fitup hold list`.

use clap::Args;
use fitup_proto::v1;

use super::word;
use crate::cli::Context;
use crate::error::Failure;
use crate::output::{columns, shorten};
use crate::words::proto_date;
use crate::{json, names};

/// List the holds that stand, a line each
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Also those that were accepted or released, or have expired
    #[arg(long)]
    all: bool,
}

impl ListArgs {
    /// Prints a line for each.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let mut page_token = String::new();
        let mut rows =
            vec![["hold", "vehicle", "dropped off", "promised", "held until", "state"].map(str::to_owned).to_vec()];
        loop {
            let request =
                v1::ListHoldsRequest { parent: names::shop(&at.id), page_size: 500, page_token, ended_too: self.all };
            let page = context.link.call(request, async |request| context.link.quotes().list_holds(request).await);
            let page = page.await?;
            for hold in &page.holds {
                if context.output.json {
                    context.output.object(&json::Hold::from(hold));
                    continue;
                }
                let order = hold.order.clone().unwrap_or_default();
                rows.push(vec![
                    names::last(&hold.name).to_owned(),
                    order.vehicle,
                    proto_date(order.arrival_time.as_ref(), &at.zone),
                    proto_date(order.promise_time.as_ref(), &at.zone),
                    proto_date(hold.expire_time.as_ref(), &at.zone),
                    word(hold).to_owned(),
                ]);
            }
            page_token = page.next_page_token;
            if page_token.is_empty() {
                break;
            }
        }
        if context.output.json {
            return Ok(());
        }
        if rows.len() == 1 {
            context.output.note("nothing is held; hold a quote with `fitup quote --file FILE --hold`");
            return Ok(());
        }
        // The vehicle gets what the other columns leave.
        let fixed: usize =
            [0, 2, 3, 4, 5].map(|column| rows.iter().map(|row| row[column].len()).max().unwrap_or(0)).iter().sum();
        let room = context.output.width.saturating_sub(fixed + 10).max(12);
        for row in &mut rows {
            row[1] = shorten(&row[1], room);
        }
        context.output.text(&columns(&rows));
        Ok(())
    }
}
