//! `fitup floor part`.

use clap::{Args, ValueEnum};
use fitup_proto::v1;

use super::{When, optional, tell};
use crate::cli::Context;
use crate::connect::request_id;
use crate::error::Failure;
use crate::names;

/// Say what was heard of a part: ordered, expected, received, wrong, damaged or returned
#[derive(Debug, Args)]
pub struct PartArgs {
    /// Id of the order
    order: String,
    /// Id of the part
    part: String,
    /// What was heard
    heard: Heard,
    /// When it, or the right one, is expected
    #[arg(long, value_name = "TIME")]
    expected: Option<String>,
    /// How sure that is, in percent
    #[arg(long, value_name = "PERCENT", default_value_t = 0, hide_default_value = true)]
    sure: i32,
    /// Anything else
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    reason: String,
    #[command(flatten)]
    when: When,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Heard {
    /// It was ordered
    Ordered,
    /// A day was named
    Expected,
    /// It is there and checked
    Received,
    /// Another one came
    Wrong,
    /// It came damaged
    Damaged,
    /// It was sent back
    Returned,
}

impl PartArgs {
    /// Records it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let state = match self.heard {
            Heard::Ordered => v1::SupplyState::Ordered,
            Heard::Expected => v1::SupplyState::Expected,
            Heard::Received => v1::SupplyState::Received,
            Heard::Wrong => v1::SupplyState::Wrong,
            Heard::Damaged => v1::SupplyState::Damaged,
            Heard::Returned => v1::SupplyState::Returned,
        };
        let request = v1::RecordPartRequest {
            order: names::order(&at.id, &self.order),
            part: self.part,
            event_time: self.when.read(&at.zone)?,
            state: state.into(),
            expected_time: optional("--expected", self.expected.as_deref(), &at.zone)?,
            confidence_percent: self.sure,
            reason: self.reason,
            request_id: request_id(),
        };
        let as_of = request.event_time;
        let send = async |request| context.link.floor().record_part(request).await;
        let answer = context.link.call(request, send).await?;
        tell(context, &at, &answer, as_of).await
    }
}
