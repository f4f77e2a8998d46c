//! `fitup take-in change` and `fitup take-in supplement`: a file of lines for an order that is there.

use clap::Args;
use fitup_proto::v1;
use fitup_proto::v1::take_in_order_request::Mode;
use jiff::tz::TimeZone;
use tonic::{Code, Status};

use super::settle::{Day, Settle};
use super::{call, shown};
use crate::cli::{Context, ShopAt};
use crate::commands::order::word;
use crate::connect::request_id;
use crate::error::{Failure, field_violations};
use crate::file::lines::{PartTime, read_lines};
use crate::file::{Fault, Source, join_faults};
use crate::{json, names};

/// Take the changed lines of an order in: those that are missing go
///
/// What is done stays done, and what was settled by hand stays settled. What it does to promises is shown before anything
/// is saved.
#[derive(Debug, Args)]
pub struct ChangeArgs {
    #[command(flatten)]
    common: CommonArgs,
}

/// Take in lines that come besides, or in the place of those with the same name
///
/// For damage that is found when the car is apart. What is done stays done; what it does to the promises of this order
/// and of all others is shown before anything is saved.
#[derive(Debug, Args)]
pub struct SupplementArgs {
    #[command(flatten)]
    common: CommonArgs,
}

#[derive(Debug, Args)]
struct CommonArgs {
    /// Id of the order
    id: String,
    /// Lines as CSV; `-` is standard input; without it the lines stay
    file: Option<String>,
    /// Save it
    #[arg(long)]
    save: bool,
    /// Say why each operation is there, and on what that rests
    #[arg(long)]
    why: bool,
    /// Plan the effect for this time; without it for now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    #[command(flatten)]
    settle: Settle,
    #[command(flatten)]
    day: Day,
}

impl ChangeArgs {
    /// Shows it, and saves it if that is asked for.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        self.common.run(context, Mode::Replace).await
    }
}

impl SupplementArgs {
    /// Shows it, and saves it if that is asked for.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        self.common.run(context, Mode::Supplement).await
    }
}

impl CommonArgs {
    async fn run(self, context: &Context, mode: Mode) -> Result<(), Failure> {
        let lines = self.file.as_deref().map(Lines::open).transpose()?;
        let at = context.shop().await?;
        let as_of = self.as_of.as_deref().map(|time| word::instant("--as-of", time, &at.zone)).transpose()?;
        let mut request = v1::TakeInOrderRequest {
            parent: names::shop(&at.id),
            order_id: self.id.clone(),
            mode: if lines.is_some() { mode } else { Mode::Supplement }.into(),
            as_of_time: as_of,
            ..Default::default()
        };
        self.settle.fill(&mut request)?;
        self.day.fill(&mut request, &at.zone)?;
        let parts = self.day.parts(&at.zone)?;
        take(context, &at, request, lines.map(|lines| (lines, parts)), self.save, self.why).await
    }
}

/// A file of lines.
pub struct Lines(Source);

impl Lines {
    /// Opens the file; nothing is read of it yet.
    pub fn open(name: &str) -> Result<Lines, Failure> {
        Ok(Lines(Source::open(name)?))
    }

    /// Reads it.
    pub fn read(self, zone: &TimeZone, parts: Option<PartTime>) -> ReadLines {
        let read = self.look(zone, parts);
        ReadLines { file: self, read }
    }

    fn look(&self, zone: &TimeZone, parts: Option<PartTime>) -> crate::file::lines::Lines {
        read_lines(&self.0, zone, parts)
    }
}

/// A file of lines that was read.
pub struct ReadLines {
    file: Lines,
    read: crate::file::lines::Lines,
}

impl ReadLines {
    /// Returns the lines.
    pub fn lines(&self) -> &[v1::EstimateLine] {
        &self.read.lines
    }

    /// Tells whether something was wrong with them already when they were read.
    pub fn has_faults(&self) -> bool {
        !self.read.faults.is_empty()
    }

    /// Returns the answer, or all that is wrong with the lines, by line and column.
    pub fn told<T>(&self, answer: Result<T, Status>) -> Result<T, Failure> {
        match answer {
            Ok(_) if self.has_faults() => Err(Failure::faults(&self.file.0.name, &self.read.faults)),
            Ok(answer) => Ok(answer),
            Err(status) => Err(refusal(&self.file.0, &self.read, &status)),
        }
    }
}

/// Shows what a request would make, and makes it if that is wanted.
pub async fn take(
    context: &Context,
    at: &ShopAt,
    mut request: v1::TakeInOrderRequest,
    lines: Option<(Lines, Option<PartTime>)>,
    save: bool,
    why: bool,
) -> Result<(), Failure> {
    let read = lines.as_ref().map(|(lines, parts)| (lines, lines.look(&at.zone, *parts)));
    let refused = |status: Status| match &read {
        Some((lines, read)) => refusal(&lines.0, read, &status),
        None => Failure::from(status),
    };
    let preview = match &read {
        Some((lines, read)) => preview(context, &mut request, lines, read).await?,
        None => {
            request.validate_only = true;
            call(context, request.clone()).await?
        }
    };
    if !save {
        if context.output.json {
            context.output.object(&json::TakeIn::new(&preview, false));
        } else {
            context.output.text(&shown::shown(&preview, at, context.output.width, why));
            context.output.note("nothing is saved yet; add --save");
        }
        return Ok(());
    }
    // What is saved is what was shown: nobody else has changed the order in between.
    let etag = preview.order.as_ref().map(|order| order.etag.clone()).unwrap_or_default();
    let request = v1::TakeInOrderRequest { validate_only: false, request_id: request_id(), etag, ..request };
    let id = request.order_id.clone();
    let effects = preview.effects;
    let saved = v1::TakeIn { effects, ..call(context, request).await.map_err(refused)? };
    if context.output.json {
        context.output.object(&json::TakeIn::new(&saved, true));
    } else {
        context.output.text(&shown::shown(&saved, at, context.output.width, why));
        context.output.text(&format!("\norder {id} saved"));
    }
    Ok(())
}

/// Returns what the server would make of lines; nothing is saved.
pub async fn made_of(
    context: &Context,
    mut request: v1::TakeInOrderRequest,
    lines: &Lines,
    (zone, parts): (&TimeZone, Option<PartTime>),
) -> Result<v1::TakeIn, Failure> {
    let read = lines.look(zone, parts);
    preview(context, &mut request, lines, &read).await
}

async fn preview(
    context: &Context,
    request: &mut v1::TakeInOrderRequest,
    lines: &Lines,
    read: &crate::file::lines::Lines,
) -> Result<v1::TakeIn, Failure> {
    request.lines.clone_from(&read.lines);
    request.validate_only = true;
    // Though the file has faults, the server is asked: it may find more.
    match call(context, request.clone()).await {
        Ok(_) if !read.faults.is_empty() => Err(Failure::faults(&lines.0.name, &read.faults)),
        Ok(preview) => Ok(preview),
        Err(status) => Err(refusal(&lines.0, read, &status)),
    }
}

/// Returns the faults found here and by the server as one failure.
fn refusal(source: &Source, read: &crate::file::lines::Lines, status: &Status) -> Failure {
    let mut violations = field_violations(status);
    for (field, _) in &mut violations {
        *field = field.strip_prefix("estimate.").unwrap_or(field).to_owned();
    }
    if violations.is_empty() && read.faults.is_empty() || !matches!(status.code(), Code::InvalidArgument) {
        return Failure::from(status.clone());
    }
    // What could not be read at all leaves nothing to be judged.
    if read.faults.iter().any(|fault| fault.field.is_empty()) {
        return Failure::faults(&source.name, &read.faults);
    }
    let (of_lines, others): (Vec<_>, Vec<_>) =
        violations.into_iter().partition(|(field, _)| field.starts_with("lines["));
    let mut faults = join_faults(source, &read.places, &read.faults, of_lines, "");
    let other = |(field, message): (String, String)| {
        let thing = match field.split(['[', '.']).next().unwrap_or_default() {
            "overrides" => "settled by hand",
            "features" => "--with",
            "conditions" => "the day",
            "stored" => "lines that were there",
            "order_id" => "--id",
            _ => "the order",
        };
        Fault { file: thing.to_owned(), place: None, message, field }
    };
    faults.extend(others.into_iter().map(other));
    Failure::faults(&source.name, &faults)
}
