//! `fitup why`.

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use crate::cli::Context;
use crate::error::Failure;
use crate::file::text::proto_instant;
use crate::names::last;
use crate::output::columns;
use crate::wire::minutes;
use crate::words::{grouped, hours, proto_when, span};
use crate::{json, names};

/// Show what decides when an order is complete, and the cheapest ways to bring it forward; or which rules leave it no place
#[derive(Debug, Args)]
pub struct WhyArgs {
    /// Id of the order
    order: String,
    /// Id of the plan; without it the published one, and if there is none the latest
    #[arg(long, value_name = "PLAN")]
    plan: Option<String>,
    /// Nothing before this time can be changed; without it the time of the plan, or now if that is later
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl WhyArgs {
    /// Prints the chain, the last stretch first, and what would shorten it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let request = v1::ExplainOrderRequest {
            name: names::order(&at.id, &self.order),
            plan: self.plan.unwrap_or_default(),
            as_of_time: as_of(self.as_of.as_deref(), &at.zone)?,
        };
        let answer = context.link.call(request, async |request| context.link.explain().explain_order(request).await);
        let why = answer.await?;
        if context.output.json {
            context.output.object(&json::Why::from(&why));
        } else {
            context.output.text(&draw(&why, &at.zone));
        }
        Ok(())
    }
}

/// Reads `--as-of`.
pub fn as_of(time: Option<&str>, zone: &TimeZone) -> Result<Option<prost_types::Timestamp>, Failure> {
    let wrong = |problem| Failure::usage(format!("--as-of: {problem}"));
    time.map(|time| proto_instant(time, zone).map_err(wrong)).transpose()
}

fn draw(why: &v1::OrderExplanation, zone: &TimeZone) -> String {
    let order = last(&why.order);
    if let Some(left) = &why.left_out {
        return left_out(why, left, order);
    }
    let mut text = format!("{order} complete {}", proto_when(why.completion_time.as_ref(), zone));
    text += &match (&why.promise_time, &why.completion_time) {
        (Some(promise), Some(end)) if promise.seconds < end.seconds => {
            format!(", late {}\n", span((end.seconds - promise.seconds) / 60))
        }
        (Some(promise), _) => format!(", promised {}\n", proto_when(Some(promise), zone)),
        (None, _) => "\n".to_owned(),
    };
    if why.stale {
        text += "the shop has changed since the plan was made: the chain is of the plan, the rest of the shop now\n";
    }
    text += "\nbecause, from its end back to now\n";
    let rows: Vec<Vec<String>> = (why.chain.iter())
        .map(|delay| {
            let length = span(delay.duration.as_ref().map_or(0, minutes));
            vec![format!("  until {}", proto_when(delay.until_time.as_ref(), zone)), length, reason(delay, order)]
        })
        .collect();
    text += &columns(&rows);
    text.push('\n');
    let Some(base) = &why.base_completion_time else {
        return text + "nothing was tried: planned again, the order has no place\n";
    };
    if why.completion_time.as_ref() != Some(base) {
        text += &format!("planned again as it is, complete {}\n", proto_when(Some(base), zone));
    }
    if why.levers.is_empty() {
        return text + &format!("of {} changes tried none brings it forward\n", why.tried_count);
    }
    text += &format!("what would bring it forward, the cheapest of {} tried\n", why.tried_count);
    let rows: Vec<Vec<String>> = why.levers.iter().map(|own| lever(own, zone)).collect();
    text + &columns(&rows)
}

/// Tells why an order has no place.
fn left_out(why: &v1::OrderExplanation, left: &v1::LeftOut, order: &str) -> String {
    let mut text = format!("{order} is left out of plan {}: {} ({})\n", last(&why.plan), left.message, left.reason);
    if why.stale {
        text += "the shop has changed since the plan was made: what follows is of the shop now\n";
    }
    let Some(conflict) = &why.conflict else {
        return text + "no rules were proven to leave it no place: plan again, with more time\n";
    };
    if conflict.rules.is_empty() {
        return text + "what has happened leaves it no place by itself: correct its progress\n";
    }
    text += "\nthese rules together leave it no place\n";
    for rule in &conflict.rules {
        text += &format!("  {rule}\n");
    }
    text + match (conflict.rules.len(), conflict.minimal) {
        (1, true) => "verified: without it there is a place\n",
        (_, true) => "verified: without any one of them there is a place\n",
        (_, false) => "some of them could perhaps be kept: that was not proven\n",
    }
}

/// Says what a stretch of a chain is.
pub fn reason(delay: &v1::Delay, order: &str) -> String {
    use v1::delay::Kind;
    let (subject, operation) = (&delay.subject, &delay.operation);
    let held = match delay.holder.as_str() {
        "" => String::new(),
        holder if holder == order => ", held by its own other work".to_owned(),
        holder => format!(", held by {holder}"),
    };
    match delay.kind() {
        Kind::Work => format!("{operation} is worked on"),
        Kind::Cure => format!("{operation} cures or flashes"),
        Kind::Part => format!("{operation} waits for part {subject}"),
        Kind::Approval => format!("{operation} waits for approval {subject}"),
        Kind::Bay => format!("{operation} waits for bay {subject}{held}"),
        Kind::Technician => format!("{operation} waits for {subject}{held}"),
        Kind::Equipment => format!("{operation} waits for equipment {subject}{held}"),
        Kind::Closed => format!("{operation} waits: closed, or who does it is off"),
        Kind::Settled => format!("{operation} waits: settled by hand"),
        Kind::Other | Kind::Unspecified => format!("{operation} waits for something later"),
    }
}

fn lever(lever: &v1::Lever, zone: &TimeZone) -> Vec<String> {
    use v1::lever::Kind;
    let (subject, people) = (&lever.subject, lever.technicians.join(" and "));
    let what = match lever.kind() {
        Kind::Part => format!("part {subject} a day earlier"),
        Kind::Approval => format!("approval {subject} a day earlier"),
        Kind::First => "this order before all others".to_owned(),
        Kind::Overtime => format!("an hour of overtime of {people}, {}", proto_when(lever.start_time.as_ref(), zone)),
        Kind::Equipment => format!("one more {subject}"),
        Kind::Bay => format!("one more bay of class {subject}"),
        Kind::Technician => format!("another technician for {subject}, with the hours of {people}"),
        Kind::Unspecified => "a change that this program does not know".to_owned(),
    };
    let price = match lever.price_change {
        0 => "price as it is".to_owned(),
        more if more > 0 => format!("price +{}", grouped(more)),
        less => format!("price {}", grouped(less)),
    };
    vec![
        format!("  {what}"),
        format!("{} earlier", hours(lever.gain.as_ref().map_or(0, minutes))),
        proto_when(lever.completion_time.as_ref(), zone),
        price,
    ]
}
