//! `fitup plan show`.

use clap::{Args, ValueEnum};
use fitup_proto::v1;
use jiff::civil::Date;

use super::get;
use crate::cli::Context;
use crate::error::Failure;
use crate::file::text;
use crate::names::last;
use crate::timeline::summary::summary;
use crate::timeline::{Scene, bays, day, orders, technicians};
use crate::{json, outline};

/// Show a plan as a timeline
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Id of the plan; without it the published one, and if there is none the latest
    plan: Option<String>,
    /// What the rows are
    #[arg(long, default_value = "bay", value_name = "WHAT")]
    by: By,
    /// First date, such as 2031-05-05; without it the date that the plan was made for
    #[arg(long, value_name = "DATE", value_parser = text::date)]
    from: Option<Date>,
    /// So many working days; without it 6 by bay, 3 by technician, 20 by order
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u16).range(1..=366))]
    days: Option<u16>,
    /// Only these orders, each with all of its operations and waits
    #[arg(long, num_args = 1.., value_name = "ID")]
    order: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum By {
    /// Which car stands where
    Bay,
    /// Who does what
    Technician,
    /// Where each car is between arrival and completion
    Order,
    /// What starts on one day, by time
    Day,
}

impl ShowArgs {
    /// Prints it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let plan = get(context, &at.id, self.plan.as_deref()).await?;
        let output = context.output;
        if output.json {
            output.object(&json::Plan::from(&plan));
            return Ok(());
        }
        let scene = Scene { plan: &plan, shop: &at.shop, zone: &at.zone, width: output.width, paint: output.paint() };
        let text = if self.order.is_empty() { self.view(&scene) } else { chains(&scene, &self.order)? };
        let cautions = super::cautions::cautions(context, &at.id, &plan, &self.order).await?;
        output.text(&format!("{}\n{text}{cautions}", summary(&scene)));
        Ok(())
    }

    fn view(&self, scene: &Scene<'_>) -> String {
        let from = self.from.unwrap_or_else(|| scene.today());
        let days = |usual: usize| self.days.map_or(usual, usize::from);
        match self.by {
            By::Bay => bays::draw(scene, from, days(6)),
            By::Technician => technicians::draw(scene, from, days(3)),
            By::Order => orders::draw(scene, from, days(20)),
            By::Day => day::draw(scene, from),
        }
    }
}

fn chains(scene: &Scene<'_>, ids: &[String]) -> Result<String, Failure> {
    let mut texts = Vec::new();
    for id in ids {
        let Some(order) = scene.plan.orders.iter().find(|order| last(&order.order) == *id) else {
            let known: Vec<&str> = scene.plan.orders.iter().map(|order: &v1::OrderPlan| last(&order.order)).collect();
            return Err(Failure::usage(format!("order {id} is not in this plan{}", outline::hint(id, &known))));
        };
        texts.push(orders::chain(scene, order));
    }
    Ok(texts.join("\n"))
}
