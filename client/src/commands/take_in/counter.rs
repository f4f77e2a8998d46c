//! The order that the lines of an estimate would make, for a quote at the counter: nothing of it is saved.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::take_in_order_request::Mode;

use super::file::{Lines, made_of};
use super::settle::{Day, Settle};
use crate::cli::{Context, ShopAt};
use crate::error::Failure;
use crate::names;
use crate::words::count;

/// The lines of an estimate, and how they become an order.
#[derive(Debug, Args)]
pub struct FromLines {
    /// Look at the order that the rule book makes of these lines instead, which is not saved; CSV, `-` is standard input
    #[arg(long, conflicts_with_all = ["order", "file"], requires = "drop_off", value_name = "FILE")]
    lines: Option<String>,
    /// What the order will be called: another order has other luck
    #[arg(long, requires = "lines", value_name = "ID", default_value = "quote")]
    id: String,
    /// What stands at the counter, such as "grey hatchback, left side"; no names of people
    #[arg(long, requires = "lines", default_value = "the car at the counter")]
    vehicle: String,
    #[command(flatten)]
    settle: Settle,
    #[command(flatten)]
    day: Day,
}

/// What the lines make.
pub struct Counter {
    /// Id of the order.
    pub id: String,
    /// The order.
    pub order: v1::Order,
    /// The order without what the lines make of it.
    pub head: v1::Order,
    /// The lines, and how they become it.
    pub estimate: v1::Estimate,
    /// What it was made from, for people.
    pub made: String,
}

/// Returns a rule book by its revision, in words.
pub fn book(revision: i64) -> String {
    match revision {
        0 => "the built-in rule book".to_owned(),
        revision => format!("rule book {revision}"),
    }
}

impl FromLines {
    /// Returns the order that the lines make, if lines were given; the car comes at `arrival`.
    ///
    /// # Errors
    /// What the server refuses of the lines and of what was settled, by line and column, as `fitup take-in new` tells it.
    pub async fn order(
        &self,
        context: &Context,
        at: &ShopAt,
        arrival: Option<prost_types::Timestamp>,
    ) -> Result<Option<Counter>, Failure> {
        let mut request = v1::TakeInOrderRequest::default();
        self.settle.fill(&mut request)?;
        self.day.fill(&mut request, &at.zone)?;
        let parts = self.day.parts(&at.zone)?;
        let Some(lines) = &self.lines else {
            if parts.is_some() || request != v1::TakeInOrderRequest::default() {
                let message = "what is settled, and the car and the day, say how lines become an order";
                return Err(Failure::usage(message).hint("give the lines with --lines FILE"));
            }
            return Ok(None);
        };
        let lines = Lines::open(lines)?;
        request.parent = names::shop(&at.id);
        request.order_id.clone_from(&self.id);
        request.mode = Mode::New.into();
        let order = request.order.get_or_insert_default();
        order.vehicle.clone_from(&self.vehicle);
        order.arrival_time = arrival;
        let head = order.clone();
        let mut estimate = v1::Estimate {
            overrides: request.overrides.clone(),
            forget: request.forget.clone(),
            features: request.features.clone(),
            conditions: request.conditions.clone(),
            ..Default::default()
        };
        let preview = made_of(context, request, &lines, (&at.zone, parts)).await?;
        let order = preview.order.unwrap_or_default();
        estimate.lines.clone_from(&preview.lines);
        let book = book(preview.rule_book_revision);
        let operations = count(order.operations.len(), "operation");
        let made = format!("{operations} from {} by {book}", count(preview.lines.len(), "line"));
        Ok(Some(Counter { id: self.id.clone(), order, head, estimate, made }))
    }
}
