//! `fitup hold`.

mod accept;
mod change;
mod list;
mod release;
mod show;

use clap::Subcommand;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::take_in::book;
use crate::cli::Context;
use crate::error::Failure;
use crate::names::last;
use crate::output::columns;
use crate::words::{count, proto_when};

/// Verbs of `fitup hold`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// List the holds that stand, a line each
    List(list::ListArgs),
    /// Show a hold
    Show(show::ShowArgs),
    /// Change a hold that stands: other work, another drop-off, another date, a longer time
    Change(Box<change::ChangeArgs>),
    /// Make an order of a hold, with its promise, in its place in the plan
    Accept(accept::AcceptArgs),
    /// Give a hold up: its place is free
    Release(release::ReleaseArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::List(args) => args.run(context).await,
            Self::Show(args) => args.run(context).await,
            Self::Change(args) => args.run(context).await,
            Self::Accept(args) => args.run(context).await,
            Self::Release(args) => args.run(context).await,
        }
    }
}

/// Draws a hold: how it stands, its dates, what is promised, and where its place is.
pub fn draw(hold: &v1::Hold, zone: &TimeZone) -> String {
    let order = hold.order.clone().unwrap_or_default();
    let mut text = format!("{} {}\n", last(&hold.name), standing(hold, zone));
    let mut head = vec!["  dropped off".to_owned()];
    head.extend(DATES.map(str::to_owned));
    let mut row = dates(hold, zone);
    row[0].insert_str(0, "  ");
    text += &columns(&[head, row]);
    let promise = proto_when(order.promise_time.as_ref(), zone);
    text + &format!("  promised {promise}, kept in {} of 100 futures\n", share(hold))
}

/// Heads of the dates of a hold, beside when it is dropped off.
const DATES: [&str; 4] = ["as booked", "50 of 100", "80 of 100", "95 of 100"];

/// Returns when a hold is dropped off, and its dates.
fn dates(hold: &v1::Hold, zone: &TimeZone) -> Vec<String> {
    let when = |time: &Option<prost_types::Timestamp>| match time {
        Some(_) => proto_when(time.as_ref(), zone),
        None => "after the horizon".to_owned(),
    };
    let arrival = hold.order.as_ref().and_then(|order| order.arrival_time);
    let mut dates = vec![proto_when(arrival.as_ref(), zone)];
    dates.extend([&hold.earliest_time, &hold.likely_time, &hold.p80_time, &hold.safe_time].map(when));
    dates
}

/// Returns in how many of 100 futures the promise of a hold is kept.
fn share(hold: &v1::Hold) -> u32 {
    match hold.promised() {
        v1::hold::Date::Likely => 50,
        v1::hold::Date::P80 | v1::hold::Date::Unspecified => 80,
        v1::hold::Date::Safe => 95,
    }
}

/// Tells what the order of a hold is made from; nothing if no line made it.
fn made_from(hold: &v1::Hold) -> String {
    hold.take_in.as_ref().map_or_else(String::new, |take_in| {
        let lines = count(take_in.lines.len(), "line");
        format!("  made from {lines} by {}\n", book(take_in.rule_book_revision))
    })
}

/// Returns how a hold stands, in words.
fn standing(hold: &v1::Hold, zone: &TimeZone) -> String {
    let (expiry, end) = (proto_when(hold.expire_time.as_ref(), zone), proto_when(hold.end_time.as_ref(), zone));
    match hold.state() {
        v1::hold::State::Standing | v1::hold::State::Unspecified => format!("is held until {expiry}"),
        v1::hold::State::Expired => format!("was held until {expiry}, and its place is free"),
        v1::hold::State::Accepted => format!("was accepted on {end}, and is an order"),
        v1::hold::State::Released => format!("was released on {end}, and its place is free"),
    }
}

/// Returns the state of a hold in a word.
fn word(hold: &v1::Hold) -> &'static str {
    match hold.state() {
        v1::hold::State::Standing | v1::hold::State::Unspecified => "stands",
        v1::hold::State::Expired => "expired",
        v1::hold::State::Accepted => "accepted",
        v1::hold::State::Released => "released",
    }
}
