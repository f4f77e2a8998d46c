//! `fitup load`.

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::why::as_of;
use crate::cli::{Context, ShopAt};
use crate::error::Failure;
use crate::output::columns;
use crate::wire::from_proto;
use crate::words::{grouped, hours};
use crate::{json, names};

/// Show booked against open hours by bay class, skill and day, and what one more hour is worth
#[derive(Debug, Args)]
pub struct LoadArgs {
    /// Id of the plan; without it the published one, and if there is none the latest
    plan: Option<String>,
    /// Hours before this time do not count; without it the time of the plan, or now if that is later
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Check so many of the dearest hours by planning again with them
    #[arg(long, default_value_t = 6, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=20))]
    check: i32,
    /// Show so many days
    #[arg(long, default_value_t = 7, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=400))]
    days: u32,
}

impl LoadArgs {
    /// Prints a line for each bay class or skill and day.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::GetLoadRequest {
            parent: names::shop(&at.id),
            plan: self.plan.clone().unwrap_or_default(),
            as_of_time: as_of(self.as_of.as_deref(), &at.zone)?,
            check_limit: self.check,
        };
        let answer = context.link.call(request, async |request| context.link.explain().get_load(request).await);
        let load = answer.await?;
        let first = load.rows.iter().filter_map(|row| from_proto(row.day_time.as_ref())).min();
        // Days are counted on the calendar: one may last 23 or 25 hours.
        let date = |instant| at.zone.to_datetime(instant).date();
        let shown = |row: &&v1::load::Row| match (from_proto(row.day_time.as_ref()), first) {
            (Some(day), Some(first)) => (date(day) - date(first)).get_days() < self.days as i32,
            _ => true,
        };
        let rows: Vec<&v1::load::Row> = load.rows.iter().filter(shown).collect();
        if context.output.json {
            rows.iter().for_each(|row| context.output.object(&json::LoadRow::new(&load, row)));
            return Ok(());
        }
        context.output.text(&draw(&load, &rows, &at));
        Ok(())
    }
}

fn draw(load: &v1::Load, rows: &[&v1::load::Row], at: &ShopAt) -> String {
    if rows.is_empty() {
        return "nothing is booked\n".to_owned();
    }
    let mut table = vec![
        ["what", "day", "booked", "open", "full", "elsewhere", "an hour more", "saves"].map(str::to_owned).to_vec(),
    ];
    table.extend(rows.iter().map(|row| line(row, &at.zone)));
    let mut text = columns(&table);
    text += &format!("\nplanned again as it is, the shop costs {}", grouped(load.base_price));
    if let Some(bound) = load.bound {
        let gap = (load.base_price - bound).max(0);
        text += &format!("; by these prices no plan costs less than {}\n", grouped(bound));
        text += &format!("an hour more saves the best plan at most its price and the gap of {}\n", grouped(gap));
    } else {
        text += "\nwhat an hour is worth cannot be told for this shop\n";
    }
    if load.stale {
        text += "the shop has changed since the plan was made: hours are of the plan, prices of the shop now\n";
    }
    text
}

fn line(row: &v1::load::Row, zone: &TimeZone) -> Vec<String> {
    let kind = match row.kind() {
        v1::load::Kind::BayClass => "bay",
        v1::load::Kind::Skill => "skill",
        v1::load::Kind::Unspecified => "?",
    };
    let local = |time: Option<&prost_types::Timestamp>, format: &str| {
        from_proto(time).map_or_else(|| "-".to_owned(), |time| zone.to_datetime(time).strftime(format).to_string())
    };
    let full = match row.open_minutes {
        0 => "-".to_owned(),
        open => format!("{} %", (row.booked_minutes * 100 + open / 2) / open),
    };
    let price = match row.hour_price {
        0 => "-".to_owned(),
        price => format!("{} at {}", grouped(price), local(row.hour_time.as_ref(), "%H:%M")),
    };
    vec![
        format!("{kind} {}", row.subject),
        local(row.day_time.as_ref(), "%a %-d %b"),
        hours(row.booked_minutes),
        hours(row.open_minutes),
        full,
        hours(row.elsewhere_minutes),
        price,
        row.saved.map_or_else(|| "-".to_owned(), grouped),
    ]
}
