//! `fitup plan list`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::error::Failure;
use crate::output::columns;
use crate::words::{gap, grouped, proto_when};
use crate::{json, names};

/// List the plans, the latest first
#[derive(Debug, Args)]
pub struct ListArgs {
    /// At most so many
    #[arg(long, default_value_t = 20, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=500))]
    limit: i32,
}

impl ListArgs {
    /// Prints a line for each.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let parent = names::shop(&at.id);
        let request = v1::ListPlansRequest { parent, page_size: self.limit, page_token: String::new() };
        let page = context.link.call(request, async |request| context.link.plans().list_plans(request).await).await?;
        if context.output.json {
            page.plans.iter().for_each(|plan| context.output.object(&json::PlanLine::from(plan)));
            return Ok(());
        }
        if page.plans.is_empty() {
            context.output.note("there is no plan yet; make one with `fitup plan solve`");
            return Ok(());
        }
        let mut rows = vec![["plan", "for", "price", "state", "quality"].map(str::to_owned).to_vec()];
        for plan in &page.plans {
            let price = plan.price.unwrap_or_default().total;
            let state = match (plan.state(), plan.stale) {
                (v1::plan::State::Published, false) => "published",
                (v1::plan::State::Published, true) => "published, out of date",
                (_, true) => "out of date",
                (v1::plan::State::Superseded, false) => "superseded",
                (_, false) => "not published",
            };
            rows.push(vec![
                names::last(&plan.name).to_owned(),
                proto_when(plan.as_of_time.as_ref(), &at.zone),
                grouped(price),
                state.to_owned(),
                gap(price, plan.bound),
            ]);
        }
        context.output.text(&columns(&rows));
        Ok(())
    }
}
