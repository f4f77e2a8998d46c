//! `fitup shop chances`.

use clap::Args;
use fitup_proto::v1;

use crate::cli::Context;
use crate::commands::why::as_of;
use crate::error::Failure;
use crate::output::columns;
use crate::{json, names};

/// Show what can happen and how often: as set, as recorded, and as learned
///
/// Quotes are played by what is used: what is set, moved by what was recorded on the floor. Little moves it little.
#[derive(Debug, Args)]
pub struct ChancesArgs {
    /// As of this time: what was recorded later does not count; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl ChancesArgs {
    /// Prints them.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request =
            v1::GetChancesRequest { parent: names::shop(&at.id), as_of_time: as_of(self.as_of.as_deref(), &at.zone)? };
        let answer =
            context.link.call(request, async |request| context.link.explain().get_chances(request).await).await?;
        if context.output.json {
            for chance in &answer.chances {
                context.output.object(&json::Chance::new(&answer, chance));
            }
        } else {
            context.output.text(&draw(&answer));
        }
        Ok(())
    }
}

fn draw(answer: &v1::Chances) -> String {
    let mut rows = vec![["setting", "set", "recorded", "used"].map(str::to_owned).to_vec()];
    rows.extend(answer.chances.iter().map(|chance| {
        let recorded = match (chance.hit_count, chance.seen_count) {
            (Some(hits), Some(seen)) => format!("{hits} of {seen} {}", thing(&chance.setting)),
            (None, Some(seen)) => format!("{seen} {}", thing(&chance.setting)),
            _ => "-".to_owned(),
        };
        vec![chance.setting.clone(), number(chance.set_value), recorded, number(chance.used_value)]
    }));
    let weight = match answer.learned_percent {
        0 => "what is set is used alone: `learned_percent` is 0".to_owned(),
        100 => format!("what is set counts as {} of each", answer.prior_count),
        percent => {
            format!("what is set counts as {} of each, what was recorded by {percent} %", answer.prior_count)
        }
    };
    format!("{}\nrecorded in {} weeks; {weight}\n", columns(&rows), answer.day_count / 7)
}

/// Returns what is counted.
fn thing(setting: &str) -> &'static str {
    match setting {
        "work_low_percent" | "work_high_percent" | "failed_check_percent" => "operations",
        "late_part_percent" => "parts",
        "hidden_damage_percent" | "hidden_work_percent" => "orders",
        "absence_percent" => "days",
        _ => "records",
    }
}

/// Returns a number with at most one digit after the point.
fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}
