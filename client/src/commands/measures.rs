//! `fitup measures`.

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::cli::Context;
use crate::error::Failure;
use crate::file::text::proto_instant;
use crate::output::columns;
use crate::words::{hours, proto_when};
use crate::{json, names};

/// Show how the work of a week has gone: touch time, cycle time, efficiency and the rest
#[derive(Debug, Args)]
pub struct MeasuresArgs {
    /// The week in which this day is; without it that of now
    #[arg(long, value_name = "DATE")]
    week: Option<String>,
    /// So many weeks from there on, as far as they have begun
    #[arg(long, default_value_t = 1, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=53))]
    weeks: i32,
}

impl MeasuresArgs {
    /// Prints the measures of each week, then those of each person and bay.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let wrong = |problem| Failure::usage(format!("--week: {problem}"));
        let day = |text: &str| proto_instant(&format!("{text} 00:00"), &at.zone).map_err(wrong);
        let request = v1::GetMeasuresRequest {
            parent: names::shop(&at.id),
            week_time: self.week.as_deref().map(day).transpose()?,
            week_count: self.weeks,
        };
        let answer = context.link.call(request, async |request| context.link.explain().get_measures(request).await);
        for (index, week) in answer.await?.weeks.iter().enumerate() {
            if context.output.json {
                context.output.object(&json::Week::from(week));
            } else {
                let gap = if index > 0 { "\n" } else { "" };
                context.output.text(&format!("{gap}{}", draw(week, &at.zone)));
            }
        }
        Ok(())
    }
}

fn draw(week: &v1::measures::Week, zone: &TimeZone) -> String {
    let line = |name: &str, value: String| vec![name.to_owned(), value];
    let rows = [
        line("cars arrived", week.arrived_count.to_string()),
        line("orders completed", week.completed_count.to_string()),
        line("touch time", number(week.touch_hours, " h a day")),
        line("cycle time", number(week.cycle_days, " days")),
        line("hours sold", hours(week.sold_minutes)),
        line("hours clocked", hours(week.clocked_minutes)),
        line("efficiency", percent(week.efficiency)),
        line("on time", percent(week.on_time)),
        line("work in process", number(Some(week.work_in_process), " cars")),
        line("Little's law", number(week.little, "")),
        line("plan stability", percent(week.stability)),
    ];
    let (from, until) = (proto_when(week.start_time.as_ref(), zone), proto_when(week.end_time.as_ref(), zone));
    let mut text = format!("{from} to {until}\n{}", columns(&rows));
    let mut table =
        vec![["who", "sold", "clocked", "efficiency", "busy", "at work", "utilisation"].map(str::to_owned).to_vec()];
    table.extend(week.technicians.iter().map(|own| {
        let [sold, clocked, busy, open] =
            [own.sold_minutes, own.clocked_minutes, own.busy_minutes, own.open_minutes].map(hours);
        vec![own.id.clone(), sold, clocked, percent(own.efficiency), busy, open, percent(own.utilisation)]
    }));
    text += &format!("\n{}", columns(&table));
    let mut table = vec![["bay", "worked in", "occupied", "open", "utilisation"].map(str::to_owned).to_vec()];
    table.extend(week.bays.iter().map(|own| {
        let [worked, busy, open] = [own.clocked_minutes, own.busy_minutes, own.open_minutes].map(hours);
        vec![own.id.clone(), worked, busy, open, percent(own.utilisation)]
    }));
    text + &format!("\n{}", columns(&table))
}

fn number(value: Option<f64>, unit: &str) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.2}{unit}"))
}

fn percent(share: Option<f64>) -> String {
    share.map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", share * 100.0))
}
