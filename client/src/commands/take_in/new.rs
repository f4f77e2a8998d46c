//! `fitup take-in new`.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::take_in_order_request::Mode;

use super::file::{Lines, take};
use super::settle::{Day, Settle};
use crate::cli::Context;
use crate::commands::order::word;
use crate::error::Failure;
use crate::names;

/// Make a repair order from the lines of an estimate
///
/// What would be made is shown: which operations, from which lines and by which rules, what comes after what, and what
/// asks for caution. Nothing is saved without --save.
#[derive(Debug, Args)]
pub struct NewArgs {
    /// Lines as CSV; `-` is standard input
    file: String,
    /// Id of the order
    #[arg(long)]
    id: String,
    /// What stands in the yard, such as "grey hatchback, left side"; no names of people
    #[arg(long)]
    vehicle: String,
    /// Anything else worth knowing
    #[arg(long)]
    note: Option<String>,
    /// When the car comes, or came, such as "2031-05-05 08:00"
    #[arg(long, value_name = "TIME")]
    arrival: String,
    /// The car is there
    #[arg(long)]
    arrived: bool,
    /// When the customer was told that it will be complete
    #[arg(long, value_name = "TIME")]
    promise: Option<String>,
    /// Save the order
    #[arg(long)]
    save: bool,
    /// Say why each operation is there, and on what that rests
    #[arg(long)]
    why: bool,
    #[command(flatten)]
    settle: Settle,
    #[command(flatten)]
    day: Day,
}

impl NewArgs {
    /// Shows it, and saves it if that is asked for.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let lines = Lines::open(&self.file)?;
        let at = context.shop().await?;
        let order = v1::Order {
            vehicle: self.vehicle.clone(),
            note: self.note.clone().unwrap_or_default(),
            arrival_time: Some(word::instant("--arrival", &self.arrival, &at.zone)?),
            arrived: self.arrived,
            promise_time: self.promise.as_deref().map(|time| word::instant("--promise", time, &at.zone)).transpose()?,
            ..Default::default()
        };
        let mut request = v1::TakeInOrderRequest {
            parent: names::shop(&at.id),
            order_id: self.id.clone(),
            mode: Mode::New.into(),
            order: Some(order),
            ..Default::default()
        };
        self.settle.fill(&mut request)?;
        self.day.fill(&mut request, &at.zone)?;
        let parts = self.day.parts(&at.zone)?;
        take(context, &at, request, Some((lines, parts)), self.save, self.why).await
    }
}
