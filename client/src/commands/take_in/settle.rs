//! What is settled by hand, and about the car and the day: flags that all verbs of `fitup take-in` share.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::r#override::Settled;
use jiff::tz::TimeZone;

use crate::commands::order::word;
use crate::error::Failure;
use crate::file::lines::PartTime;
use crate::file::text;
use crate::wire::duration;

/// What is settled by hand; it stays when lines change.
#[derive(Debug, Args)]
#[command(next_help_heading = "Settled by hand, and kept when lines change")]
pub struct Settle {
    /// Hours of operations, such as `strip=1.5`
    #[arg(long, num_args = 1.., value_name = "OPERATION=HOURS")]
    hours: Vec<String>,
    /// Crews of operations, such as `fit=body+body`
    #[arg(long, num_args = 1.., value_name = "OPERATION=SKILLS")]
    crew: Vec<String>,
    /// One operation after another, such as `"align=fit + 30 min"`
    #[arg(long, num_args = 1.., value_name = "OPERATION=LINK")]
    after: Vec<String>,
    /// One operation need not come after another, such as `wax=bake`
    #[arg(long, num_args = 1.., value_name = "OPERATION=OPERATION")]
    not_after: Vec<String>,
    /// Leave operations out
    #[arg(long, num_args = 1.., value_name = "OPERATION")]
    without: Vec<String>,
    /// Forget all that was settled about operations
    #[arg(long, num_args = 1.., value_name = "OPERATION")]
    forget: Vec<String>,
}

/// The car and the day.
#[derive(Debug, Args)]
#[command(next_help_heading = "The car and the day")]
pub struct Day {
    /// What the car has, in words of the rule book, such as `high-voltage`
    #[arg(long = "with", num_args = 1.., value_name = "FEATURE")]
    features: Vec<String>,
    /// When parts come that their lines say no time of: a time, or `received`
    #[arg(long, value_name = "TIME")]
    parts: Option<String>,
    /// When approvals come, such as `insurer="2031-05-08 10:00"` or `insurer=granted`
    #[arg(long, num_args = 1.., value_name = "APPROVAL=TIME")]
    approval: Vec<String>,
    /// Adhesive that glass is set with, by its id in the rule book
    #[arg(long, value_name = "ID")]
    adhesive: Option<String>,
    /// Temperature of the air, in degrees Celsius
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    temperature: Option<i32>,
    /// Relative humidity of the air, in percent
    #[arg(long, value_name = "PERCENT")]
    humidity: Option<i32>,
    /// Temperature of what is painted, in degrees Celsius; without it that of the air
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    surface: Option<i32>,
}

impl Settle {
    /// Puts what is settled into a request.
    pub fn fill(&self, request: &mut v1::TakeInOrderRequest) -> Result<(), Failure> {
        let mut add = |settled| request.overrides.push(v1::Override { settled: Some(settled) });
        for entry in &self.hours {
            let (operation, hours) = word::pair("--hours", entry, "strip=1.5")?;
            let work = Some(duration(word::hours("--hours", hours)?));
            add(Settled::Work(v1::r#override::Work { operation: operation.to_owned(), work }));
        }
        for entry in &self.crew {
            let (operation, crew) = word::pair("--crew", entry, "fit=body+body")?;
            let crew = crew.split('+').map(|skill| skill.trim().to_owned()).collect();
            add(Settled::Crew(v1::r#override::Crew { operation: operation.to_owned(), crew }));
        }
        for entry in &self.after {
            let (operation, link) = word::pair("--after", entry, "\"align=fit + 30 min\"")?;
            let link = text::link(link).map_err(|problem| Failure::usage(format!("--after: {problem}")))?;
            add(Settled::Link(v1::Link { to: operation.to_owned(), ..link }));
        }
        for entry in &self.not_after {
            let (to, from) = word::pair("--not-after", entry, "wax=bake")?;
            add(Settled::Unlink(v1::r#override::Unlink { from: from.to_owned(), to: to.to_owned() }));
        }
        for operation in &self.without {
            add(Settled::LeaveOut(operation.clone()));
        }
        request.forget = self.forget.clone();
        Ok(())
    }
}

impl Day {
    /// Returns when parts come that say no time of their own.
    pub fn parts(&self, zone: &TimeZone) -> Result<Option<PartTime>, Failure> {
        let when = self.parts.as_deref().map(|parts| word::when("--parts", parts, "received", zone)).transpose()?;
        Ok(when.map(|when| match when {
            word::When::There => None,
            word::When::Expected(time) => Some(time),
        }))
    }

    /// Puts the car and the day into a request.
    pub fn fill(&self, request: &mut v1::TakeInOrderRequest, zone: &TimeZone) -> Result<(), Failure> {
        request.features = self.features.clone();
        if !self.approval.is_empty() {
            let order = request.order.get_or_insert_default();
            for entry in &self.approval {
                let (id, time) = word::pair("--approval", entry, "insurer=granted")?;
                let mut approval = v1::Approval { id: id.to_owned(), ..Default::default() };
                word::set_approval(&mut approval, word::when("--approval", time, "granted", zone)?);
                order.approvals.push(approval);
            }
        }
        let is_said =
            self.adhesive.is_some() || self.temperature.is_some() || self.humidity.is_some() || self.surface.is_some();
        request.conditions = is_said.then(|| v1::Conditions {
            adhesive: self.adhesive.clone().unwrap_or_default(),
            temperature_celsius: self.temperature,
            humidity_percent: self.humidity,
            surface_celsius: self.surface,
        });
        Ok(())
    }
}
