//! `fitup rehearse`.

use std::time::Duration;

use clap::{Args, ValueEnum};
use fitup_proto::v1;
use fitup_proto::v1::rehearse_response::{Gain, Mean, Way};

use super::order::word;
use crate::cli::Context;
use crate::error::Failure;
use crate::output::columns;
use crate::{json, names};

/// The server plays no longer than this.
const PATIENCE: Duration = Duration::from_secs(960);

/// Play weeks ahead with everything that can happen, under fitup and under the habits that shops have
///
/// Work takes longer or shorter than booked, cars come at random, parts come late, damage is found, people stay at home, work
/// does not pass: the same for each way to dispatch, and nobody knows it before it happens. Orders that come are like those
/// that are open now. Nobody works overtime. Changes nothing.
#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// Cars come for so many weeks
    #[arg(long, default_value_t = 4, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=12))]
    weeks: i32,
    /// Play so often, each time with other luck
    #[arg(long, default_value_t = 4, value_name = "COUNT", value_parser = clap::value_parser!(i32).range(1..=40))]
    runs: i32,
    /// Seed of the luck
    #[arg(long, default_value_t = 1)]
    seed: i64,
    /// Hold fitup against these habits, separated by commas; without it against all
    #[arg(long, value_name = "HABITS", value_delimiter = ',')]
    habits: Vec<Habit>,
    /// So many cars come in a week; without it 60 % of what the scarcest skill or bay class can take
    #[arg(long, value_name = "COUNT")]
    cars: Option<f64>,
    /// Take so many search steps for each plan
    #[arg(long, value_name = "COUNT", default_value_t = 3000, value_parser = clap::value_parser!(i64).range(1..=100_000))]
    iterations: i64,
    /// Begin at this time; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Habit {
    /// First in, first out
    FirstIn,
    /// The earliest promise first
    EarliestPromise,
    /// What has waited longest for the booth first
    LongestAtBooth,
}

impl RehearseArgs {
    /// Prints a line for each way, and the gains.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let habit = |habit: &Habit| match habit {
            Habit::FirstIn => v1::DispatchWay::FirstIn,
            Habit::EarliestPromise => v1::DispatchWay::EarliestPromise,
            Habit::LongestAtBooth => v1::DispatchWay::LongestAtBooth,
        };
        let mut request = context.link.request(v1::RehearseRequest {
            parent: names::shop(&at.id),
            as_of_time: self.as_of.as_deref().map(|time| word::instant("--as-of", time, &at.zone)).transpose()?,
            week_count: self.weeks,
            run_count: self.runs,
            seed: self.seed,
            habits: self.habits.iter().map(|own| habit(own).into()).collect(),
            cars_per_week: self.cars.unwrap_or(0.0),
            iteration_limit: self.iterations,
        });
        request.set_timeout(PATIENCE.max(context.timeout));
        let answer = context.link.rehearsals().rehearse(request).await?.into_inner();
        if context.output.json {
            answer.ways.iter().for_each(|way| context.output.object(&json::WayRow::from(way)));
            context.output.object(&json::Gains::from(&answer));
            return Ok(());
        }
        let (shop, weeks, runs) = (&at.shop.display_name, self.weeks, self.runs);
        let (cars, rate) = (f64::from(answer.car_count) / f64::from(runs), answer.cars_per_week);
        let learned = if answer.learned { ", chances as learned" } else { "" };
        let mut text =
            format!("{shop}, {weeks} weeks played {runs} times: {cars:.0} cars, {rate:.1} more a week{learned}\n\n");
        text += &draw(&answer);
        context.output.text(&text);
        Ok(())
    }
}

fn draw(answer: &v1::RehearseResponse) -> String {
    let mut table = vec![
        ["dispatched by", "on time", "hours late", "weighted", "cycle days", "people in use"]
            .map(str::to_owned)
            .to_vec(),
    ];
    table.extend(answer.ways.iter().map(|way| {
        vec![
            name(way.way()).to_owned(),
            told(way.on_time.as_ref(), 100.0, 0, " %"),
            told(way.late_hours.as_ref(), 1.0, 1, ""),
            told(way.weighted_late_hours.as_ref(), 1.0, 0, ""),
            told(way.cycle_days.as_ref(), 1.0, 2, ""),
            told(way.utilisation.as_ref(), 100.0, 0, " %"),
        ]
    }));
    let mut text = columns(&table) + "\nagainst the best habit:\n";
    text += &against("weighted lateness", answer.weighted_lateness_gain.as_ref(), "no habit is late");
    text += &against("cycle time", answer.cycle_gain.as_ref(), "there is none");
    text += "intervals of 95 % by Student's t over the runs\n";
    let sum =
        |of: fn(&Way) -> i32| answer.ways.iter().map(of).map(|count| count.to_string()).collect::<Vec<_>>().join(", ");
    text += &format!(
        "what nobody could know, by way: finished after hours {}; waited too long {}; bay kept open {}; not complete {}\n",
        sum(|way| way.stayed_on_count),
        sum(|way| way.waited_count),
        sum(|way| way.bay_count),
        sum(|way| way.unfinished_count),
    );
    text
}

fn against(what: &str, gain: Option<&Gain>, nothing: &str) -> String {
    let Some(gain) = gain else { return format!("  {what}: {nothing}\n") };
    let share = gain.share.unwrap_or_default();
    let word = if share.mean < 0.0 { "higher" } else { "lower" };
    let shown = Mean { mean: share.mean.abs(), ..share };
    format!("  {what}: {} {word} than by {}\n", told(Some(&shown), 100.0, 1, " %"), name(gain.habit()))
}

fn told(mean: Option<&Mean>, factor: f64, digits: usize, unit: &str) -> String {
    let Some(mean) = mean else { return "-".to_owned() };
    let value = mean.mean * factor;
    match mean.half_width {
        Some(half) => format!("{value:.digits$} +- {:.digits$}{unit}", half * factor),
        None => format!("{value:.digits$}{unit}"),
    }
}

fn name(way: v1::DispatchWay) -> &'static str {
    match way {
        v1::DispatchWay::Plan => "fitup",
        v1::DispatchWay::FirstIn => "first in, first out",
        v1::DispatchWay::EarliestPromise => "earliest promise",
        v1::DispatchWay::LongestAtBooth => "longest at the booth",
        v1::DispatchWay::Unspecified => "?",
    }
}
