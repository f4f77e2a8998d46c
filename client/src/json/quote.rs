//! Quotes as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::plan::{Delay, delay};
use super::{id_of, instant};
use crate::names::last;

/// A line of `quote`: one day of drop-off.
#[derive(Debug, Serialize)]
pub struct Quote {
    order: String,
    plan: Option<String>,
    stale: bool,
    futures: i32,
    arrival: Option<String>,
    earliest: Option<String>,
    p50: Option<String>,
    p80: Option<String>,
    p95: Option<String>,
    chain: Vec<Delay>,
    parts: Vec<NeededPart>,
    endangered: Vec<Endangered>,
    moved: Vec<Moved>,
    price: i64,
    learned: bool,
    orders_per_week: f64,
    told: i32,
}

#[derive(Debug, Serialize)]
struct NeededPart {
    part: String,
    needed: Option<String>,
}

#[derive(Debug, Serialize)]
struct Endangered {
    order: String,
    promise: Option<String>,
    kept_before: f64,
    kept_after: f64,
}

#[derive(Debug, Serialize)]
struct Moved {
    order: String,
    before: Option<String>,
    after: Option<String>,
}

impl Quote {
    /// Returns a line for one of the quotes of `answer`.
    pub fn new(order: &str, answer: &v1::QuoteOrderResponse, quote: &v1::Quote) -> Quote {
        Quote {
            order: order.to_owned(),
            plan: id_of(&answer.published_plan),
            stale: answer.stale,
            futures: answer.future_count,
            arrival: instant(quote.arrival_time.as_ref()),
            earliest: instant(quote.earliest_time.as_ref()),
            p50: instant(quote.likely_time.as_ref()),
            p80: instant(quote.p80_time.as_ref()),
            p95: instant(quote.safe_time.as_ref()),
            chain: quote.chain.iter().map(delay).collect(),
            parts: (quote.parts.iter())
                .map(|own| NeededPart { part: own.part.clone(), needed: instant(own.needed_time.as_ref()) })
                .collect(),
            endangered: (quote.endangered.iter())
                .map(|own| Endangered {
                    order: last(&own.order).to_owned(),
                    promise: instant(own.promise_time.as_ref()),
                    kept_before: own.kept_before,
                    kept_after: own.kept_after,
                })
                .collect(),
            moved: (quote.moved.iter())
                .map(|own| Moved {
                    order: last(&own.order).to_owned(),
                    before: instant(own.completion_before.as_ref()),
                    after: instant(own.completion_after.as_ref()),
                })
                .collect(),
            price: quote.price,
            learned: answer.learned,
            orders_per_week: answer.orders_per_week,
            told: answer.told_count,
        }
    }
}
