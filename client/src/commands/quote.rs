//! `fitup quote`.

use clap::{Args, ValueEnum};
use fitup_proto::v1;
use jiff::tz::TimeZone;
use tonic::Status;

use super::hold::draw as draw_hold;
use super::take_in::{Counter, FromLines};
use super::why::{as_of, reason};
use crate::cli::{Context, ShopAt};
use crate::connect::request_id;
use crate::error::{Failure, field_violations};
use crate::file::order::{OrderDraft, read_orders};
use crate::file::text::proto_instant;
use crate::file::{Fault, Source, join_faults};
use crate::json;
use crate::names::{self, last};
use crate::output::columns;
use crate::wire::minutes;
use crate::words::{grouped, proto_when, span};

/// Show when an order that is not planned yet would be complete, for each of several days of drop-off
///
/// The order is put into the published plan beside the others, which stay where they are, and the plan is played forward
/// on many futures: work that takes longer, parts and approvals that come late, hidden damage, failed checks, people who
/// stay at home. Nothing is changed, unless the quote is held.
#[derive(Debug, Args)]
pub struct QuoteArgs {
    /// Id of an order that was entered
    #[arg(required_unless_present_any = ["file", "lines"])]
    order: Option<String>,
    /// Look at the one order in this file instead, which is not entered; `-` is standard input
    #[arg(long, conflicts_with = "order", value_name = "FILE")]
    file: Option<String>,
    /// When the car could be dropped off, such as "2031-05-07 08:00"; may be repeated. Without it as the order says
    #[arg(long, value_name = "TIME")]
    drop_off: Vec<String>,
    /// Hold the quote of the file: promise one of its dates, and keep its place in the plan
    #[arg(long, conflicts_with = "move_others")]
    hold: bool,
    /// Hold it until this time; without it for three days, or until the drop-off if that is sooner
    #[arg(long, value_name = "TIME", requires = "hold")]
    until: Option<String>,
    /// Promise the date that is kept in 50, 80 or 95 of 100 futures; without it in 80
    #[arg(long, value_name = "DATE", requires = "hold")]
    promise: Option<Promise>,
    /// A search may move the other orders; says which, and at what price
    #[arg(long)]
    move_others: bool,
    #[command(flatten)]
    played: Played,
    #[command(flatten)]
    lines: FromLines,
}

/// The futures that a quote is played on.
#[derive(Debug, Args)]
pub struct Played {
    /// Play so many futures
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = clap::value_parser!(i32).range(1..=20_000))]
    pub futures: i32,
    /// Seed of the futures
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: i64,
    /// Quote as of this time; without it now
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
}

impl Played {
    /// Reads the moment that is quoted for, by the clock of the shop.
    pub fn as_of(&self, zone: &TimeZone) -> Result<Option<prost_types::Timestamp>, Failure> {
        as_of(self.as_of.as_deref(), zone)
    }
}

/// A date of a quote that can be promised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Promise {
    /// Kept in 50 of 100 futures
    Likely,
    /// In 80
    P80,
    /// In 95
    Safe,
}

impl From<Promise> for v1::hold::Date {
    fn from(promise: Promise) -> v1::hold::Date {
        match promise {
            Promise::Likely => v1::hold::Date::Likely,
            Promise::P80 => v1::hold::Date::P80,
            Promise::Safe => v1::hold::Date::Safe,
        }
    }
}

impl QuoteArgs {
    /// Prints the dates and what they rest on.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let at = context.shop().await?;
        let arrival = |time: &String| {
            proto_instant(time, &at.zone).map_err(|problem| Failure::usage(format!("--drop-off: {problem}")))
        };
        let arrival_times: Vec<_> = self.drop_off.iter().map(arrival).collect::<Result<_, _>>()?;
        let counter = self.lines.order(context, &at, arrival_times.first().copied()).await?;
        let file = self.file.as_ref().map(|file| InFile::read(file, &at.zone)).transpose()?;
        if self.hold {
            return self.hold(context, &at, counter, file.as_ref()).await;
        }
        let made = counter.as_ref().map(|counter| counter.made.clone());
        let (order_id, order) = match (counter, &file) {
            (Some(counter), _) => (counter.id, Some(counter.order)),
            (None, Some(file)) => (file.draft.id.clone(), Some(file.draft.order.clone())),
            (None, None) => (self.order.clone().unwrap_or_default(), None),
        };
        let request = v1::QuoteOrderRequest {
            parent: names::shop(&at.id),
            order_id: order_id.clone(),
            order,
            arrival_times,
            as_of_time: self.played.as_of(&at.zone)?,
            future_count: self.played.futures,
            seed: self.played.seed,
            may_move_others: self.move_others,
        };
        let answer = context.link.call(request, async |request| context.link.quotes().quote_order(request).await);
        let answer = answer.await;
        let answer = match &file {
            Some(file) => file.told(answer)?,
            None => answer?,
        };
        if context.output.json {
            for quote in &answer.quotes {
                context.output.object(&json::Quote::new(&order_id, &answer, quote));
            }
        } else {
            if let Some(made) = made {
                context.output.text(&format!("{order_id}: {made}"));
            }
            context.output.text(&draw(&order_id, &answer, &at.zone));
        }
        Ok(())
    }
}

impl QuoteArgs {
    /// Holds the quote, and prints what is held.
    async fn hold(
        self,
        context: &Context,
        at: &ShopAt,
        counter: Option<Counter>,
        file: Option<&InFile>,
    ) -> Result<(), Failure> {
        let made = counter.as_ref().map(|counter| counter.made.clone());
        let (order_id, order, estimate) = match (counter, file) {
            (Some(counter), _) => (counter.id, Some(counter.head), Some(counter.estimate)),
            (None, Some(file)) => (file.draft.id.clone(), Some(file.draft.order.clone()), None),
            (None, None) => (String::new(), None, None),
        };
        let time = |flag: &str, time: Option<&String>| {
            let wrong = |problem| Failure::usage(format!("{flag}: {problem}"));
            time.map(|time| proto_instant(time, &at.zone).map_err(wrong)).transpose()
        };
        if order.is_none() {
            let failure = Failure::usage("only an order that is not entered is held; name its file with --file");
            return Err(failure.hint("what is entered gets its place by `fitup plan solve` or `fitup replan`"));
        }
        if self.drop_off.len() > 1 {
            let failure = Failure::usage("a hold is for one day of drop-off");
            return Err(failure.hint("compare the days without --hold, then hold one of them"));
        }
        let promised = v1::hold::Date::from(self.promise.unwrap_or(Promise::P80));
        let request = v1::HoldQuoteRequest {
            parent: names::shop(&at.id),
            order_id,
            order,
            arrival_time: time("--drop-off", self.drop_off.first())?,
            as_of_time: self.played.as_of(&at.zone)?,
            future_count: self.played.futures,
            seed: self.played.seed,
            promised: promised.into(),
            expire_time: time("--until", self.until.as_ref())?,
            request_id: request_id(),
            validate_only: file.is_some_and(|file| !file.faults.is_empty()),
            estimate,
        };
        let hold = context.link.call(request, async |request| context.link.quotes().hold_quote(request).await).await;
        let hold = match file {
            Some(file) => file.told(hold)?,
            None => hold?,
        };
        if context.output.json {
            context.output.object(&json::Hold::from(&hold));
            return Ok(());
        }
        if let Some(made) = made {
            context.output.text(&format!("{}: {made}", last(&hold.name)));
        }
        context.output.text(&draw_hold(&hold, &at.zone));
        let id = last(&hold.name);
        let next = format!("`fitup hold accept {id}` makes an order of it, `fitup hold release {id}` gives it up\n");
        context.output.text(&next);
        Ok(())
    }
}

/// A file that holds one order.
pub struct InFile {
    source: Source,
    draft: OrderDraft,
    faults: Vec<Fault>,
}

impl InFile {
    /// Reads it; what is wrong is told with the answer.
    ///
    /// # Errors
    /// The file cannot be read, or holds not one order.
    pub fn read(file: &str, zone: &TimeZone) -> Result<InFile, Failure> {
        let source = Source::open(file)?;
        let read = read_orders(&source, zone);
        let faults = read.all_faults();
        match <[_; 1]>::try_from(read.orders) {
            Ok([draft]) => Ok(InFile { source, draft, faults }),
            Err(_) if !faults.is_empty() => Err(Failure::faults(&source.name, &faults)),
            Err(orders) => {
                let message = format!("{}: holds {} orders, and a quote is for one", source.name, orders.len());
                Err(Failure::usage(message).hint("enter them with `fitup order add`, and quote them one by one"))
            }
        }
    }

    /// Returns the id of the order.
    pub fn id(&self) -> &str {
        &self.draft.id
    }

    /// Returns the order.
    pub fn order(&self) -> v1::Order {
        self.draft.order.clone()
    }

    /// Tells whether something was wrong already when it was read.
    pub fn has_faults(&self) -> bool {
        !self.faults.is_empty()
    }

    /// Returns the answer, or all that is wrong with the file, by place: what is read here and what the server says of it.
    /// What the server says of anything else goes first.
    pub fn told<T>(&self, answer: Result<T, Status>) -> Result<T, Failure> {
        let violations = match answer {
            Ok(answer) if self.faults.is_empty() => return Ok(answer),
            Ok(_) => Vec::new(),
            Err(status) => {
                let violations = field_violations(&status);
                let of_file = violations.iter().all(|(path, _)| path.starts_with("order"));
                if !of_file || violations.is_empty() && self.faults.is_empty() {
                    return Err(status.into());
                }
                violations
            }
        };
        let faults = join_faults(&self.source, &self.draft.places, &self.faults, violations, "order");
        Err(Failure::faults(&self.source.name, &faults))
    }
}

fn draw(order: &str, answer: &v1::QuoteOrderResponse, zone: &TimeZone) -> String {
    let mut text = String::new();
    if answer.stale {
        text += "the shop has changed since its plan was published: what follows is that plan pushed to the right\n";
    }
    let learned = if answer.learned { " of chances as learned" } else { "" };
    text += &format!("{order} would be complete, by {} futures{learned}\n", grouped(i64::from(answer.future_count)));
    if answer.orders_per_week > 0.0 {
        text += &format!("with room for {:.1} orders a week that are still to come\n", answer.orders_per_week);
    }
    if answer.told_count > 0 {
        let (noun, verb) = if answer.told_count == 1 { ("quote", "was") } else { ("quotes", "were") };
        text += &format!("and by what became of {} {noun} that {verb} held and accepted\n", answer.told_count);
    }
    let heads = ["  dropped off", "as booked", "50 of 100", "80 of 100", "95 of 100"];
    let mut rows = vec![heads.map(str::to_owned).to_vec()];
    rows.extend(answer.quotes.iter().map(|quote| {
        let arrival = format!("  {}", proto_when(quote.arrival_time.as_ref(), zone));
        if quote.earliest_time.is_none() {
            return vec![arrival, "no place before the horizon".to_owned()];
        }
        let when = |time: &Option<prost_types::Timestamp>| match time {
            Some(_) => proto_when(time.as_ref(), zone),
            None => "after the horizon".to_owned(),
        };
        let times = [&quote.earliest_time, &quote.likely_time, &quote.p80_time, &quote.safe_time];
        std::iter::once(arrival).chain(times.map(when)).collect()
    }));
    text += &columns(&rows);
    for quote in answer.quotes.iter().filter(|quote| quote.earliest_time.is_some()) {
        text += &format!("\nif dropped off {}\n", proto_when(quote.arrival_time.as_ref(), zone));
        text += &rests_on(order, quote, zone);
    }
    text
}

/// Stretches of the chain that are shown.
const STRETCHES: usize = 4;

fn rests_on(order: &str, quote: &v1::Quote, zone: &TimeZone) -> String {
    let mut rows: Vec<Vec<String>> = Vec::new();
    // The longest ones say most.
    let mut chain: Vec<&v1::Delay> = quote.chain.iter().collect();
    let length = |delay: &v1::Delay| delay.duration.as_ref().map_or(0, minutes);
    chain.sort_by_key(|delay| std::cmp::Reverse(length(delay)));
    chain.truncate(STRETCHES);
    // The last one first, as `why` tells them.
    chain.sort_by_key(|delay| std::cmp::Reverse(delay.until_time.as_ref().map(|until| (until.seconds, until.nanos))));
    for delay in chain {
        let until = format!("  until {}", proto_when(delay.until_time.as_ref(), zone));
        rows.push(vec![until, span(length(delay)), reason(delay, order)]);
    }
    let mut text = columns(&rows);
    for part in &quote.parts {
        text += &format!("  part {} has to be there by {}\n", part.part, proto_when(part.needed_time.as_ref(), zone));
    }
    for own in &quote.endangered {
        let share = |share: f64| (100.0 * share).round();
        text += &format!(
            "  endangers {}, promised {}: kept in {} of 100 futures, {} without this order\n",
            last(&own.order),
            proto_when(own.promise_time.as_ref(), zone),
            share(own.kept_after),
            share(own.kept_before)
        );
    }
    if quote.endangered.is_empty() {
        text += "  endangers no promise\n";
    }
    for own in &quote.moved {
        let when = |time: &Option<prost_types::Timestamp>| match time {
            Some(_) => proto_when(time.as_ref(), zone),
            None => "no place".to_owned(),
        };
        let (before, after) = (when(&own.completion_before), when(&own.completion_after));
        text += &format!("  moves {}: complete {after}, before {before}\n", last(&own.order));
    }
    if !quote.moved.is_empty() {
        text += &format!("  price to the others {}\n", grouped(quote.price));
    }
    text
}
