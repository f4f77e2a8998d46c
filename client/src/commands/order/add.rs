//! `fitup order add`.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;
use fitup_proto::v1;
use jiff::tz::TimeZone;
use tonic::{Code, Status};

use super::{create, word};
use crate::cli::{Context, ShopAt};
use crate::error::{Failure, Kind, field_violations};
use crate::file::order::{OrderDraft, OrderFile, read_orders};
use crate::file::{Fault, Source, join_faults};
use crate::json;
use crate::outline::{self, Outline};

/// Enter repair orders, from files or from a job outline
///
/// All files are checked first: if anything is wrong with any of them, all of it is told and nothing is entered.
#[derive(Debug, Args)]
pub struct AddArgs {
    /// Files with one or many orders each; `-` is standard input
    #[arg(required_unless_present = "outline", conflicts_with = "outline")]
    files: Vec<String>,
    /// Only check, enter nothing
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    asked: FromOutline,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "From a job outline")]
struct FromOutline {
    /// Make the order from this outline; see `fitup outline list`
    #[arg(long, value_name = "NAME", requires_all = ["id", "vehicle", "arrival"])]
    outline: Option<String>,
    /// Id of the order
    #[arg(long, requires = "outline")]
    id: Option<String>,
    /// What stands in the yard, such as "grey hatchback, rear hit"; no names of people
    #[arg(long, requires = "outline")]
    vehicle: Option<String>,
    /// Anything else worth knowing
    #[arg(long, requires = "outline")]
    note: Option<String>,
    /// When the car comes, or came, such as "2031-05-05 08:00"
    #[arg(long, requires = "outline", value_name = "TIME")]
    arrival: Option<String>,
    /// The car is there
    #[arg(long, requires = "outline")]
    arrived: bool,
    /// When the customer was told that it will be complete
    #[arg(long, requires = "outline", value_name = "TIME")]
    promise: Option<String>,
    /// Hours of operations, such as `strip=1.5 fit=2`; 0 leaves one out
    #[arg(long, requires = "outline", num_args = 1.., value_name = "OPERATION=HOURS")]
    hours: Vec<String>,
    /// When parts come, such as `door-shell="2031-05-08 10:00"` or `door-shell=received`
    #[arg(long = "part", requires = "outline", num_args = 1.., value_name = "PART=TIME")]
    part: Vec<String>,
    /// When all parts not named come: a time, or `received`
    #[arg(long, requires = "outline", value_name = "TIME")]
    parts: Option<String>,
    /// When approvals come, such as `insurer="2031-05-08 10:00"` or `insurer=granted`
    #[arg(long = "approval", requires = "outline", num_args = 1.., value_name = "APPROVAL=TIME")]
    approval: Vec<String>,
}

impl AddArgs {
    /// Checks all orders, then enters them.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        if self.asked.outline.is_some() {
            let at = context.shop().await?;
            let (id, order) = self.asked.expanded(&at.zone)?;
            create(context, &at.id, &id, &order, self.dry_run).await?;
            self.report(context, std::slice::from_ref(&id));
            return Ok(());
        }
        let sources = self.files.iter().map(|file| Source::open(file)).collect::<Result<Vec<_>, _>>()?;
        let at = match context.shop().await {
            Ok(at) => at,
            Err(failure) => return Err(faults_without_zone(&sources).unwrap_or(failure)),
        };
        let files: Vec<OrderFile> = sources.iter().map(|source| read_orders(source, &at.zone)).collect();
        check(context, &at, &sources, &files).await?;
        let drafts: Vec<&OrderDraft> = files.iter().flat_map(|file| &file.orders).collect();
        let mut entered = Vec::new();
        if self.dry_run {
            entered.extend(drafts.iter().map(|draft| draft.id.clone()));
        } else {
            for draft in &drafts {
                if let Err(status) = create(context, &at.id, &draft.id, &draft.order, false).await {
                    let failure = Failure::from(status);
                    let told = format!("{} of {} orders are entered already", entered.len(), drafts.len());
                    return Err(if entered.is_empty() { failure } else { failure.cause(told) });
                }
                entered.push(draft.id.clone());
            }
        }
        self.report(context, &entered);
        Ok(())
    }

    fn report(&self, context: &Context, ids: &[String]) {
        let done = if self.dry_run { "checked" } else { "entered" };
        for id in ids {
            if context.output.json {
                context.output.object(&json::Done { id: id.clone(), done });
            } else {
                context.output.text(&format!("order {id} {done}"));
            }
        }
    }
}

/// Returns what is wrong with the files whatever the shop's time zone; nothing if nothing is.
fn faults_without_zone(sources: &[Source]) -> Option<Failure> {
    // UTC skips no times, so every fault found with it is one in any zone.
    let read = |source| read_orders(source, &TimeZone::UTC).all_faults();
    let faults: Vec<Fault> = sources.iter().flat_map(read).collect();
    (!faults.is_empty()).then(|| Failure::faults(&what(sources), &faults))
}

fn what(sources: &[Source]) -> String {
    match sources {
        [source] => source.name.clone(),
        sources => format!("{} files", sources.len()),
    }
}

/// Checks all orders here and on the server.
async fn check(context: &Context, at: &ShopAt, sources: &[Source], files: &[OrderFile]) -> Result<(), Failure> {
    let mut faults = Vec::new();
    let mut ids = BTreeSet::new();
    for (source, file) in sources.iter().zip(files) {
        faults.extend(file.faults.iter().cloned());
        let ids_before = ids.clone();
        for draft in &file.orders {
            let mut server = Vec::new();
            if let Err(status) = create(context, &at.id, &draft.id, &draft.order, true).await {
                server = violations(&status)?;
            }
            if ids_before.contains(&draft.id) {
                server.push(("order_id".to_owned(), format!("order {:?} stands in two files", draft.id)));
            }
            ids.insert(draft.id.clone());
            faults.extend(join_faults(source, &draft.places, &draft.faults, server, "order"));
        }
    }
    if faults.is_empty() {
        return Ok(());
    }
    faults.sort_by(|a, b| (&a.file, a.place, &a.message).cmp(&(&b.file, b.place, &b.message)));
    Err(Failure::faults(&what(sources), &faults))
}

/// Returns what the server finds fault with in an order, by field.
fn violations(status: &Status) -> Result<Vec<(String, String)>, Failure> {
    let violations = field_violations(status);
    match status.code() {
        _ if !violations.is_empty() => Ok(violations),
        Code::AlreadyExists | Code::InvalidArgument | Code::FailedPrecondition => {
            Ok(vec![("order_id".to_owned(), status.message().to_owned())])
        }
        _ => Err(Failure::from(status.clone())),
    }
}

impl FromOutline {
    /// Returns the id and the order that the flags describe.
    fn expanded(&self, zone: &TimeZone) -> Result<(String, v1::Order), Failure> {
        let name = self.outline.as_deref().unwrap_or_default();
        let outline = Outline::find(name)
            .map_err(|error| Failure::usage(error.to_string()).hint("list the outlines with `fitup outline list`"))?;
        let mut minutes = BTreeMap::new();
        for entry in &self.hours {
            let (id, hours) = word::pair("--hours", entry, "fit=2.5")?;
            if outline.operation(id).is_none() {
                let ids: Vec<&str> = outline.skeleton.operations.iter().map(|one| one.id.as_str()).collect();
                let message =
                    format!("--hours: outline \"{name}\" has no operation \"{id}\"{}", outline::hint(id, &ids));
                return Err(Failure::usage(message));
            }
            minutes.insert(id.to_owned(), word::hours("--hours", hours)?);
        }
        let mut order = outline.expand(&minutes, &BTreeSet::new());
        self.parts(&mut order, zone)?;
        self.approvals(&mut order, zone)?;
        complete(&outline, &order)?;
        order.vehicle = self.vehicle.clone().unwrap_or_default();
        order.note = self.note.clone().unwrap_or_default();
        order.arrived = self.arrived;
        let instant = |flag, time: &Option<String>| time.as_deref().map(|time| word::instant(flag, time, zone));
        order.arrival_time = instant("--arrival", &self.arrival).transpose()?;
        order.promise_time = instant("--promise", &self.promise).transpose()?;
        Ok((self.id.clone().unwrap_or_default(), order))
    }

    fn parts(&self, order: &mut v1::Order, zone: &TimeZone) -> Result<(), Failure> {
        if let Some(all) = &self.parts {
            let when = word::when("--parts", all, "received", zone)?;
            order.parts.iter_mut().for_each(|part| word::set_part(part, when.clone()));
        }
        for entry in &self.part {
            let (id, time) = word::pair("--part", entry, "fender=received")?;
            let when = word::when("--part", time, "received", zone)?;
            match order.parts.iter_mut().find(|part| part.id == id) {
                Some(part) => word::set_part(part, when),
                None => {
                    let ids: Vec<&str> = order.parts.iter().map(|part| part.id.as_str()).collect();
                    return Err(Failure::usage(format!(
                        "--part: there is no part \"{id}\"{}",
                        outline::hint(id, &ids)
                    )));
                }
            }
        }
        Ok(())
    }

    fn approvals(&self, order: &mut v1::Order, zone: &TimeZone) -> Result<(), Failure> {
        for entry in &self.approval {
            let (id, time) = word::pair("--approval", entry, "insurer=granted")?;
            let when = word::when("--approval", time, "granted", zone)?;
            match order.approvals.iter_mut().find(|approval| approval.id == id) {
                Some(approval) => word::set_approval(approval, when),
                None => {
                    let ids: Vec<&str> = order.approvals.iter().map(|approval| approval.id.as_str()).collect();
                    let hint = outline::hint(id, &ids);
                    return Err(Failure::usage(format!("--approval: there is no approval \"{id}\"{hint}")));
                }
            }
        }
        Ok(())
    }
}

/// Says everything that the outline asks for and the flags do not give, with the flags to add.
fn complete(outline: &Outline, order: &v1::Order) -> Result<(), Failure> {
    let mut failure = Failure::new(Kind::Usage, format!("outline \"{}\" asks for more", outline.id));
    let mut flags = Vec::new();
    let hours: Vec<&v1::Operation> = order.operations.iter().filter(|operation| operation.work.is_none()).collect();
    for operation in &hours {
        let name = if operation.display_name.is_empty() { &operation.id } else { &operation.display_name };
        let usual = outline
            .usual
            .get(&operation.id)
            .map(|(low, high)| format!(", usually {} to {}", *low as f64 / 60.0, *high as f64 / 60.0));
        failure = failure.cause(format!("the hours of {}: {name}{}", operation.id, usual.unwrap_or_default()));
    }
    if !hours.is_empty() {
        let pairs: Vec<String> = hours.iter().map(|operation| format!("{}=..", operation.id)).collect();
        flags.push(format!("--hours {}", pairs.join(" ")));
    }
    for part in order.parts.iter().filter(|part| !part.received && part.expected_time.is_none()) {
        failure = failure.cause(format!("when the part {} comes", part.id));
        flags.push(format!("--part {}=received", part.id));
    }
    for approval in order.approvals.iter().filter(|approval| !approval.granted && approval.expected_time.is_none()) {
        failure = failure.cause(format!("when the approval {} comes", approval.id));
        flags.push(format!("--approval {}=granted", approval.id));
    }
    if flags.is_empty() { Ok(()) } else { Err(failure.hint(format!("add {}", flags.join(" ")))) }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        add: AddArgs,
    }

    fn order(line: &str) -> Result<(String, v1::Order), Failure> {
        let words = ["add", "--outline", "door", "--id", "7", "--vehicle", "van", "--arrival", "2031-05-05 08:00"];
        let line = Line::try_parse_from(words.into_iter().chain(line.split_whitespace())).expect("parses");
        line.add.asked.expanded(&TimeZone::UTC)
    }

    #[test]
    fn says_all_that_is_missing() {
        let failure = order("--hours strip=1").expect_err("is incomplete");
        assert_eq!(failure.causes.len(), 3, "{failure:?}");
        assert_eq!(failure.hints, ["add --hours fit=.. refinish=.. --part door-shell=received"]);
        assert_eq!(failure.kind, Kind::Usage);
    }

    #[test]
    fn makes_the_order() {
        let (id, order) = order("--hours strip=1 fit=2 refinish=1.5 blend=0 --parts received").expect("is complete");
        assert_eq!(id, "7");
        assert!(order.parts.iter().all(|part| part.received));
        assert!(order.operations.iter().all(|operation| operation.work.is_some()));
        assert!(order.operations.iter().all(|operation| operation.id != "blend"));
    }

    #[test]
    fn refuses_unknown_operations() {
        let failure = order("--hours strp=1").expect_err("is unknown");
        let expected = "--hours: outline \"door\" has no operation \"strp\"; did you mean \"strip\"?";
        assert_eq!(failure.message, expected);
    }
}
