//! `fitup floor pass` and `fitup floor fail`: the two ends of one check.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::record_work_request::Event;

use super::{Place, work};
use crate::cli::Context;
use crate::error::Failure;

/// What was found.
#[derive(Debug, Args)]
struct Found {
    #[command(flatten)]
    place: Place,
    /// What was measured, with its unit, such as "2.5 mm"
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    measured: String,
    /// Anything else
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    reason: String,
}

/// Say that a hold point passed
#[derive(Debug, Args)]
pub struct PassArgs {
    #[command(flatten)]
    found: Found,
}

/// Say that a hold point failed: its rework is added to the order, and the check once more
#[derive(Debug, Args)]
pub struct FailArgs {
    #[command(flatten)]
    found: Found,
}

impl PassArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        self.found.record(context, true).await
    }
}

impl FailArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        self.found.record(context, false).await
    }
}

impl Found {
    async fn record(self, context: &Context, passed: bool) -> Result<(), Failure> {
        let result = v1::CheckResult { passed, measurement: self.measured, reason: self.reason };
        work(context, self.place, Event::Check(result)).await
    }
}
