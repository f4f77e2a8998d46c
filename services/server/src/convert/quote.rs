//! Quotes: the arrivals that are asked for, and from the model to the contract.

use fitup_model::timetable::OrderTimetable;
use fitup_model::{Fault, Planning, Time};
use fitup_proto::v1;
use fitup_rehearsal::Quote;
use jiff::Timestamp;

use super::fields::{collect, each, instant, to_instant};
use super::names::{self, Collection};
use super::plan::to_delay;

/// Reads the arrivals, with all that is wrong with them.
pub fn read_arrivals(times: &[prost_types::Timestamp]) -> (Vec<Timestamp>, Vec<Fault>) {
    collect(|at| each(times, "arrival_times", at, |time, at| instant(Some(time), at)))
}

/// Writes a quote; `order` is the order in the plan of it.
pub fn write(
    shop: &str,
    planning: &Planning,
    arrival: Timestamp,
    quote: &Quote,
    order: Option<&OrderTimetable>,
) -> v1::Quote {
    let problem = &planning.problem;
    let time = |time: Time| to_instant(planning.instant(time));
    let name = |car| names::child(shop, Collection::Orders, &problem.cars[car].name);
    let mut chain = order.map(|order| order.delays.clone()).unwrap_or_default();
    chain.sort_by_key(|delay| std::cmp::Reverse((delay.until_time, delay.duration)));
    v1::Quote {
        arrival_time: Some(to_instant(arrival)),
        earliest_time: Some(time(quote.earliest)),
        likely_time: quote.likely.map(time),
        p80_time: quote.p80.map(time),
        safe_time: quote.safe.map(time),
        chain: chain.iter().map(to_delay).collect(),
        parts: (quote.parts.iter())
            .map(|(part, needed)| v1::quote::NeededPart { part: part.clone(), needed_time: Some(time(*needed)) })
            .collect(),
        endangered: (quote.endangered.iter())
            .map(|own| v1::quote::EndangeredPromise {
                order: name(own.car),
                promise_time: problem.cars[own.car].promise.map(time),
                kept_before: own.before,
                kept_after: own.after,
            })
            .collect(),
        moved: (quote.moved.iter())
            .map(|own| v1::quote::MovedOrder {
                order: name(own.car),
                completion_before: own.before.map(time),
                completion_after: own.after.map(time),
            })
            .collect(),
        price: quote.price,
    }
}

/// Writes that the order finds no place before the horizon.
pub fn write_no_room(arrival: Timestamp) -> v1::Quote {
    v1::Quote { arrival_time: Some(to_instant(arrival)), ..Default::default() }
}
