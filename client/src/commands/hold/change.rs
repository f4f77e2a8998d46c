//! `fitup hold change`.

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;

use super::{DATES, dates, draw, made_from, share};
use crate::cli::Context;
use crate::commands::order::word;
use crate::commands::quote::{InFile, Played, Promise};
use crate::commands::take_in::{Day, Lines, Settle};
use crate::connect::request_id;
use crate::error::Failure;
use crate::names::last;
use crate::output::columns;
use crate::words::proto_when;
use crate::{json, names};

/// Change a hold that stands: other work, another drop-off, another date, a longer time
///
/// Other work or another drop-off is quoted anew, and gets the place that is free for it when its old one is; another date
/// or a longer time leaves its place and its dates. What would be is shown beside what is. Nothing is saved without --save;
/// then the old place is given up and the new one taken in one step.
#[derive(Debug, Args)]
pub struct ChangeArgs {
    /// Id of the hold
    id: String,
    /// Changed lines of its estimate: those that are missing go, what was settled stays; CSV, `-` is standard input
    #[arg(long, conflicts_with = "file", value_name = "FILE")]
    lines: Option<String>,
    /// The one order in this file in its place; `-` is standard input
    #[arg(long, value_name = "FILE")]
    file: Option<String>,
    /// When the car is dropped off, such as "2031-05-07 08:00"
    #[arg(long, value_name = "TIME")]
    drop_off: Option<String>,
    /// Hold it until this time
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    /// Promise the date that is kept in 50, 80 or 95 of 100 futures
    #[arg(long, value_name = "DATE")]
    promise: Option<Promise>,
    #[command(flatten)]
    played: Played,
    /// Save it
    #[arg(long)]
    save: bool,
    #[command(flatten)]
    settle: Settle,
    #[command(flatten)]
    day: Day,
}

impl ChangeArgs {
    /// Shows what would be, and saves it if that is asked for.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let time = |flag: &str, time: &Option<String>| {
            time.as_deref().map(|time| word::instant(flag, time, &at.zone)).transpose()
        };
        let name = names::hold(&at.id, &self.id);
        let get = v1::GetHoldRequest { name: name.clone() };
        let hold = context.link.call(get, async |request| context.link.quotes().get_hold(request).await).await?;
        let lines = self.lines.as_deref().map(Lines::open).transpose()?;
        let parts = self.day.parts(&at.zone)?;
        let lines = lines.map(|lines| lines.read(&at.zone, parts));
        let file = self.file.as_ref().map(|file| InFile::read(file, &at.zone)).transpose()?;
        if let Some(file) = file.as_ref().filter(|file| file.id() != self.id) {
            let message = format!("--file: holds order {:?}, and the hold is {:?}", file.id(), self.id);
            return Err(Failure::usage(message).hint("its id stays; call the order in the file so"));
        }
        let (head, estimate) = self.settled(lines.as_ref().map(|lines| lines.lines()), &hold, &at.zone)?;
        if file.is_some() && estimate.is_some() || lines.is_none() && parts.is_some() {
            let message = "what is settled, and the car and the day, say how lines become an order";
            return Err(Failure::usage(message).hint("write it into the file, or give the lines with --lines FILE"));
        }
        if lines.is_none() && estimate.is_some() && hold.take_in.is_none() {
            let failure = Failure::usage(format!("no line made what is held as {:?}", self.id));
            return Err(
                failure.hint("give the changed order with --file FILE, or the lines of its estimate with --lines FILE")
            );
        }
        let faulty =
            lines.as_ref().is_some_and(|lines| lines.has_faults()) || file.as_ref().is_some_and(InFile::has_faults);
        let request = v1::ChangeHoldRequest {
            name,
            order: file.as_ref().map(InFile::order).or(head),
            estimate,
            arrival_time: time("--drop-off", &self.drop_off)?,
            as_of_time: self.played.as_of(&at.zone)?,
            future_count: self.played.futures,
            seed: self.played.seed,
            promised: self.promise.map_or(v1::hold::Date::Unspecified, v1::hold::Date::from).into(),
            expire_time: time("--until", &self.until)?,
            // What changes is what was looked at.
            etag: hold.etag.clone(),
            request_id: if self.save { request_id() } else { String::new() },
            validate_only: !self.save || faulty,
        };
        if request == unchanged(&request) {
            let failure = Failure::usage("nothing is to be changed");
            return Err(failure.hint("say what, such as --until TIME or --lines FILE; see `fitup hold change --help`"));
        }
        let answer = context.link.call(request, async |request| context.link.quotes().change_hold(request).await).await;
        let changed = match (&lines, &file) {
            (Some(lines), _) => lines.told(answer)?,
            (None, Some(file)) => file.told(answer)?,
            (None, None) => answer?,
        };
        if context.output.json {
            context.output.object(&json::Hold::from(&changed));
        } else if self.save {
            context.output.text(&(draw(&changed, &at.zone) + &made_from(&changed)));
            context.output.text(&format!("hold {} changed", self.id));
        } else {
            context.output.text(&would_be(&hold, &changed, &at.zone));
        }
        if !self.save {
            context.output.note("nothing is saved yet; add --save");
        }
        Ok(())
    }

    /// Returns how lines make the held order, if they or anything about them are to be changed; and the order without what
    /// they make of it, where that is to be another.
    fn settled(
        &self,
        lines: Option<&[v1::EstimateLine]>,
        hold: &v1::Hold,
        zone: &TimeZone,
    ) -> Result<(Option<v1::Order>, Option<v1::Estimate>), Failure> {
        let mut request = v1::TakeInOrderRequest::default();
        self.settle.fill(&mut request)?;
        self.day.fill(&mut request, zone)?;
        if lines.is_none() && request == v1::TakeInOrderRequest::default() {
            return Ok((None, None));
        }
        let head = request.order.map(|asked| head(hold, asked.approvals));
        let estimate = v1::Estimate {
            lines: lines.unwrap_or_default().to_vec(),
            overrides: request.overrides,
            forget: request.forget,
            features: request.features,
            conditions: request.conditions,
        };
        Ok((head, Some(estimate)))
    }
}

/// Returns a request that changes nothing, and says else the same.
fn unchanged(request: &v1::ChangeHoldRequest) -> v1::ChangeHoldRequest {
    v1::ChangeHoldRequest {
        order: None,
        estimate: None,
        arrival_time: None,
        promised: v1::hold::Date::Unspecified.into(),
        expire_time: None,
        ..request.clone()
    }
}

/// Returns the order of a hold without what lines make of it, with these approvals besides or in the place of its own.
fn head(hold: &v1::Hold, approvals: Vec<v1::Approval>) -> v1::Order {
    let order = hold.order.clone().unwrap_or_default();
    let mut all = order.approvals;
    all.retain(|own| approvals.iter().all(|other| other.id != own.id));
    all.extend(approvals);
    v1::Order { visits: vec![], operations: vec![], links: vec![], parts: vec![], approvals: all, ..order }
}

/// Draws what would be beside what is, and the place that it would have.
fn would_be(now: &v1::Hold, then: &v1::Hold, zone: &TimeZone) -> String {
    let column = |head: &str, hold: &v1::Hold| {
        let promise = hold.order.as_ref().and_then(|order| order.promise_time);
        let mut column = vec![head.to_owned()];
        column.extend(dates(hold, zone));
        column.push(format!("{}, {} of 100", proto_when(promise.as_ref(), zone), share(hold)));
        column.push(proto_when(hold.expire_time.as_ref(), zone));
        column
    };
    // A line for each date: side by side they are wider than a screen.
    let heads = ["", "dropped off"].into_iter().chain(DATES).chain(["promised", "held until"]);
    let rows = heads.zip(column("now", now)).zip(column("would be", then));
    let rows: Vec<_> = rows.map(|((head, now), then)| vec![format!("  {head}"), now, then]).collect();
    let mut text = format!("hold {}\n{}{}", last(&now.name), columns(&rows), made_from(then));
    let visits = then.place.iter().flat_map(|place| &place.visits).map(|visit| {
        let [start, end] = [visit.start_time, visit.end_time].map(|time| proto_when(time.as_ref(), zone));
        vec![format!("  {}", visit.bay), start, format!("to {end}"), visit.visit.clone()]
    });
    let visits: Vec<_> = visits.collect();
    if !visits.is_empty() {
        text += &format!("its place would be\n{}", columns(&visits));
    }
    text
}
