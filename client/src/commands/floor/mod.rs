//! `fitup floor`: what happens on the floor. Each event is told with what it does to the published plan.

mod back;
mod check;
mod down;
mod finish;
mod impact;
mod list;
mod off;
mod on;
mod out;
mod overtime;
mod part;
mod pause;
mod pin;
mod records;
mod reopen;
mod short;
mod swap;
mod unpin;
mod up;
mod whole;

use clap::{Args, Subcommand};
use fitup_proto::v1;
use fitup_proto::v1::record_resource_request::Event as ResourceEvent;
use fitup_proto::v1::record_work_request::Event as WorkEvent;
use fitup_proto::v1::settle_work_request::Settlement;
use jiff::tz::TimeZone;
use prost_types::{Duration, Timestamp};
use tonic::{Code, Status};

use super::order::word;
use crate::cli::{Context, ShopAt};
use crate::connect::request_id;
use crate::error::Failure;
use crate::floor_words::{hits, record};
use crate::wire::duration;
use crate::{json, names};

/// Verbs of `fitup floor`.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show what each technician and each bay does today: next, waiting for what, blocked by what
    List(list::ListArgs),
    /// Clock people on: an operation starts, goes on, or gets another hand
    On(on::OnArgs),
    /// Clock people off and leave the operation unfinished
    Off(off::OffArgs),
    /// Stop an operation for a reason
    Pause(pause::PauseArgs),
    /// Say that an operation is done, early or late
    Finish(finish::FinishArgs),
    /// Say that an operation is not done after all
    Reopen(reopen::ReopenArgs),
    /// Say that a hold point passed
    Pass(check::PassArgs),
    /// Say that a hold point failed: its rework is added to the order, and the check once more
    Fail(check::FailArgs),
    /// Put one technician in another's place
    Swap(swap::SwapArgs),
    /// Tie an operation to people, a bay or a start
    Pin(pin::PinArgs),
    /// Free an operation of all that it is tied to
    Unpin(unpin::UnpinArgs),
    /// Say what was heard of a part: ordered, expected, received, wrong, damaged or returned
    Part(part::PartArgs),
    /// Say that a technician is out
    Out(out::OutArgs),
    /// Say that a technician is back, earlier than was said
    Back(back::BackArgs),
    /// Say that a bay or booth is down
    Down(down::DownArgs),
    /// Say that a bay is up again, earlier than was said
    Up(up::UpArgs),
    /// Say that pieces of equipment are out
    Short(short::ShortArgs),
    /// Say that all pieces are there again, earlier than was said
    Whole(whole::WholeArgs),
    /// Open overtime of a technician, which a plan may then use
    Overtime(overtime::OvertimeArgs),
    /// Show what the facts do to the published plan if nobody does anything
    Impact(impact::ImpactArgs),
    /// List what was recorded, the latest first
    Records(records::RecordsArgs),
}

impl Command {
    /// Does it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        match self {
            Self::List(args) => args.run(context).await,
            Self::On(args) => args.run(context).await,
            Self::Off(args) => args.run(context).await,
            Self::Pause(args) => args.run(context).await,
            Self::Finish(args) => args.run(context).await,
            Self::Reopen(args) => args.run(context).await,
            Self::Pass(args) => args.run(context).await,
            Self::Fail(args) => args.run(context).await,
            Self::Swap(args) => args.run(context).await,
            Self::Pin(args) => args.run(context).await,
            Self::Unpin(args) => args.run(context).await,
            Self::Part(args) => args.run(context).await,
            Self::Out(args) => args.run(context).await,
            Self::Back(args) => args.run(context).await,
            Self::Down(args) => args.run(context).await,
            Self::Up(args) => args.run(context).await,
            Self::Short(args) => args.run(context).await,
            Self::Whole(args) => args.run(context).await,
            Self::Overtime(args) => args.run(context).await,
            Self::Impact(args) => args.run(context).await,
            Self::Records(args) => args.run(context).await,
        }
    }
}

/// An operation of an order, and when something was done to it.
#[derive(Debug, Args)]
struct Place {
    /// Id of the order
    order: String,
    /// Id of the operation
    operation: String,
    #[command(flatten)]
    when: When,
}

/// When something happened.
#[derive(Debug, Args)]
struct When {
    /// When it happened; without it now
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
}

impl When {
    fn read(&self, zone: &TimeZone) -> Result<Option<Timestamp>, Failure> {
        optional("--at", self.at.as_deref(), zone)
    }
}

/// A time from when to when.
#[derive(Debug, Args)]
struct Range {
    /// From when; without it from now
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Until when; without it until the end of that day
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    reason: String,
}

impl Range {
    fn read(&self, id: String, count: i32, zone: &TimeZone) -> Result<v1::ResourceRange, Failure> {
        Ok(v1::ResourceRange {
            id,
            start_time: optional("--from", self.from.as_deref(), zone)?,
            end_time: optional("--until", self.until.as_deref(), zone)?,
            count,
            reason: self.reason.clone(),
        })
    }
}

fn optional(flag: &str, text: Option<&str>, zone: &TimeZone) -> Result<Option<Timestamp>, Failure> {
    text.map(|text| word::instant(flag, text, zone)).transpose()
}

/// Parses hours of work that are left.
fn left(text: Option<&str>) -> Result<Option<Duration>, Failure> {
    text.map(|text| word::hours("--left", text).map(duration)).transpose()
}

async fn work(context: &Context, place: Place, event: WorkEvent) -> Result<(), Failure> {
    let at = context.shop().await?;
    let request = v1::RecordWorkRequest {
        order: names::order(&at.id, &place.order),
        operation: place.operation,
        event_time: place.when.read(&at.zone)?,
        event: Some(event),
        request_id: request_id(),
    };
    let as_of = request.event_time;
    let answer = context.link.call(request, async |request| context.link.floor().record_work(request).await).await?;
    tell(context, &at, &answer, as_of).await
}

async fn settle(context: &Context, at: &ShopAt, place: Place, settlement: Settlement) -> Result<(), Failure> {
    let request = v1::SettleWorkRequest {
        order: names::order(&at.id, &place.order),
        operation: place.operation,
        event_time: place.when.read(&at.zone)?,
        settlement: Some(settlement),
        request_id: request_id(),
    };
    let as_of = request.event_time;
    let answer = context.link.call(request, async |request| context.link.floor().settle_work(request).await).await?;
    tell(context, at, &answer, as_of).await
}

async fn resource(context: &Context, at: &ShopAt, when: &When, event: ResourceEvent) -> Result<(), Failure> {
    let request = v1::RecordResourceRequest {
        parent: names::shop(&at.id),
        event_time: when.read(&at.zone)?,
        event: Some(event),
        request_id: request_id(),
    };
    let as_of = request.event_time;
    let send = async |request| context.link.floor().record_resource(request).await;
    let answer = context.link.call(request, send).await?;
    tell(context, at, &answer, as_of).await
}

/// Tells what was recorded, and what it does to the published plan, if there is one.
async fn tell(
    context: &Context,
    at: &ShopAt,
    answer: &v1::FloorRecord,
    as_of: Option<Timestamp>,
) -> Result<(), Failure> {
    let impact = match impact_of(context, &at.id, as_of).await {
        Ok(impact) => Some(impact),
        // The event is recorded, whatever can be said of a plan.
        Err(status) if status.code() == Code::FailedPrecondition => None,
        Err(status) => return Err(status.into()),
    };
    if context.output.json {
        context.output.object(&json::FloorRecord::new(answer, impact.as_ref()));
        return Ok(());
    }
    let mut text = format!("{}\n", record(answer, &at.zone));
    if let Some(impact) = impact {
        text += &hits(&impact, &at.zone);
    }
    context.output.text(&text);
    Ok(())
}

async fn impact_of(context: &Context, shop: &str, as_of_time: Option<Timestamp>) -> Result<v1::Impact, Status> {
    let request = v1::GetImpactRequest { parent: names::shop(shop), as_of_time };
    context.link.call(request, async |request| context.link.floor().get_impact(request).await).await
}
