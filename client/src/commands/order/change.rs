//! `fitup order change`.

use clap::Args;
use fitup_proto::v1;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::word::{self, When};
use super::{get, update};
use crate::cli::Context;
use crate::error::{Failure, field_violations};
use crate::file::order::read_orders;
use crate::file::{Source, join_faults};
use crate::wire::{duration, to_proto};
use crate::{json, outline};

/// Change a repair order, from a file or by flags
///
/// Only what differs is sent, and only if nobody has changed the order meanwhile.
#[derive(Debug, Args)]
pub struct ChangeArgs {
    /// Id of the order
    id: String,
    /// A file that says all of the order, as `fitup order show ID --as file` prints it
    #[arg(conflicts_with = "changes")]
    file: Option<String>,
    /// Say what would change, and change nothing
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    flags: Flags,
}

#[derive(Debug, Args)]
#[group(id = "changes", multiple = true)]
struct Flags {
    /// What stands in the yard
    #[arg(long)]
    vehicle: Option<String>,
    /// Anything else worth knowing
    #[arg(long)]
    note: Option<String>,
    /// When the car comes, or came
    #[arg(long, value_name = "TIME")]
    arrival: Option<String>,
    /// The car is there
    #[arg(long)]
    arrived: bool,
    /// When it was promised; `none` takes the promise back
    #[arg(long, value_name = "TIME")]
    promise: Option<String>,
    /// Price of a minute after the promise
    #[arg(long, value_name = "PRICE")]
    late_weight: Option<i32>,
    /// When parts come, such as `fender="2031-05-08 10:00"` or `fender=received`
    #[arg(long, num_args = 1.., value_name = "PART=TIME")]
    part: Vec<String>,
    /// When approvals come, such as `insurer="2031-05-08 10:00"` or `insurer=granted`
    #[arg(long, num_args = 1.., value_name = "APPROVAL=TIME")]
    approval: Vec<String>,
    /// Hours of operations, such as `pull=4.5`
    #[arg(long, num_args = 1.., value_name = "OPERATION=HOURS")]
    hours: Vec<String>,
    /// The least hours that operations take, such as `pull=3`; `none` is the shop's share
    #[arg(long, num_args = 1.., value_name = "OPERATION=HOURS")]
    low_hours: Vec<String>,
    /// The most hours that operations take, such as `pull=9`; `none` is the shop's share
    #[arg(long, num_args = 1.., value_name = "OPERATION=HOURS")]
    high_hours: Vec<String>,
    /// An operation that has started, at --at, by --by
    #[arg(long, value_name = "OPERATION")]
    start: Option<String>,
    /// An operation that is done, at --at
    #[arg(long, value_name = "OPERATION", conflicts_with = "start")]
    finish: Option<String>,
    /// When it started or was done; without it now
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// Who started it
    #[arg(long, num_args = 1.., value_delimiter = ',', value_name = "TECHNICIAN", requires = "start")]
    by: Vec<String>,
    /// In which bay, if its visit starts with it
    #[arg(long = "in", value_name = "BAY", requires = "start")]
    bay: Option<String>,
    /// Hours of work left; without it all of them
    #[arg(long, value_name = "HOURS", requires = "start")]
    left: Option<String>,
}

impl ChangeArgs {
    /// Changes it.
    pub async fn run(self, context: &Context) -> Result<(), Failure> {
        let source = self.file.as_deref().map(Source::open).transpose()?;
        let at = context.shop().await?;
        let current = get(context, &at.id, &self.id).await?;
        let (wanted, fields) = match &source {
            Some(source) => self.read(context, source, &current, &at.zone).await?,
            None => {
                let mut wanted = current.clone();
                self.flags.apply(&mut wanted, &at.zone)?;
                let fields = differing(&current, &wanted);
                (wanted, fields)
            }
        };
        if !fields.is_empty() {
            update(context, &wanted, &fields, self.dry_run).await?;
        } else if self.flags.are_none() && source.is_none() {
            return Err(
                Failure::usage("nothing to change").hint("give a file or flags; see `fitup order change --help`")
            );
        }
        if context.output.json {
            let fields = fields.iter().map(|field| (*field).to_owned()).collect();
            context.output.object(&json::OrderChanged { id: self.id, fields, dry_run: self.dry_run });
        } else if fields.is_empty() {
            context.output.text(&format!("order {}: nothing differs", self.id));
        } else {
            let would = if self.dry_run { " would be" } else { "" };
            let fields: Vec<String> = fields.iter().map(|field| field.replace("_time", "").replace('_', " ")).collect();
            context.output.text(&format!("order {}{would} changed: {}", self.id, fields.join(", ")));
        }
        Ok(())
    }

    /// Returns the order that the file says, checked by the server, and the fields in which it differs.
    async fn read(
        &self,
        context: &Context,
        source: &Source,
        current: &v1::Order,
        zone: &TimeZone,
    ) -> Result<(v1::Order, Vec<&'static str>), Failure> {
        let file = read_orders(source, zone);
        let local = file.all_faults();
        let [draft] = &file.orders[..] else {
            if !local.is_empty() {
                return Err(Failure::faults(&source.name, &local));
            }
            return Err(Failure::usage(format!("{} says {} orders; one is wanted", source.name, file.orders.len())));
        };
        if draft.id != self.id && !draft.id.is_empty() {
            return Err(Failure::usage(format!("{} says order {}, not {}", source.name, draft.id, self.id)));
        }
        let (name, etag) = (current.name.clone(), current.etag.clone());
        let wanted = v1::Order { name, etag, ..draft.order.clone() };
        let checked = match update(context, &wanted, &ALL, true).await {
            Ok(checked) if local.is_empty() => checked,
            Ok(_) => return Err(Failure::faults(&source.name, &local)),
            Err(status) => {
                let violations = field_violations(&status);
                if violations.is_empty() && local.is_empty() {
                    return Err(status.into());
                }
                let faults = join_faults(source, &draft.places, &local, violations, "order");
                return Err(Failure::faults(&source.name, &faults));
            }
        };
        let fields = differing(current, &checked);
        Ok((wanted, fields))
    }
}

/// The fields that a file says.
const ALL: [&str; 12] = [
    "vehicle",
    "note",
    "arrival_time",
    "arrived",
    "promise_time",
    "late_weight",
    "flow_weight",
    "visits",
    "operations",
    "links",
    "parts",
    "approvals",
];

/// Returns the fields in which two states of an order differ; the order of links means nothing.
fn differing(old: &v1::Order, new: &v1::Order) -> Vec<&'static str> {
    let links = |order: &v1::Order| {
        let mut links = order.links.clone();
        links.sort_by(|a, b| (&a.to, &a.from).cmp(&(&b.to, &b.from)));
        links
    };
    let differs = [
        old.vehicle != new.vehicle,
        old.note != new.note,
        old.arrival_time != new.arrival_time,
        old.arrived != new.arrived,
        old.promise_time != new.promise_time,
        old.late_weight != new.late_weight,
        old.flow_weight != new.flow_weight,
        old.visits != new.visits,
        old.operations != new.operations,
        links(old) != links(new),
        old.parts != new.parts,
        old.approvals != new.approvals,
    ];
    ALL.into_iter().zip(differs).filter(|(_, differs)| *differs).map(|(field, _)| field).collect()
}

impl Flags {
    fn are_none(&self) -> bool {
        let lists = [&self.part, &self.approval, &self.hours, &self.low_hours, &self.high_hours, &self.by];
        let texts = [&self.vehicle, &self.note, &self.arrival, &self.promise, &self.start, &self.finish];
        lists.iter().all(|list| list.is_empty())
            && texts.iter().all(|text| text.is_none())
            && !self.arrived
            && self.late_weight.is_none()
    }

    fn apply(&self, order: &mut v1::Order, zone: &TimeZone) -> Result<(), Failure> {
        if let Some(vehicle) = &self.vehicle {
            order.vehicle.clone_from(vehicle);
        }
        if let Some(note) = &self.note {
            order.note.clone_from(note);
        }
        if let Some(arrival) = &self.arrival {
            order.arrival_time = Some(word::instant("--arrival", arrival, zone)?);
        }
        order.arrived |= self.arrived;
        match self.promise.as_deref() {
            Some("none") => order.promise_time = None,
            Some(promise) => order.promise_time = Some(word::instant("--promise", promise, zone)?),
            None => {}
        }
        order.late_weight = self.late_weight.or(order.late_weight);
        for entry in &self.part {
            let (id, when) = named(entry, "--part", "received", zone)?;
            word::set_part(find(&mut order.parts, "part", id, |part| &part.id)?, when);
        }
        for entry in &self.approval {
            let (id, when) = named(entry, "--approval", "granted", zone)?;
            word::set_approval(find(&mut order.approvals, "approval", id, |approval| &approval.id)?, when);
        }
        for entry in &self.hours {
            let (id, hours) = word::pair("--hours", entry, "pull=4.5")?;
            let operation = find(&mut order.operations, "operation", id, |operation| &operation.id)?;
            operation.work = Some(duration(word::hours("--hours", hours)?));
        }
        for entry in &self.low_hours {
            let (id, hours) = word::pair("--low-hours", entry, "pull=3")?;
            find(&mut order.operations, "operation", id, |operation| &operation.id)?.low_work =
                end("--low-hours", hours)?;
        }
        for entry in &self.high_hours {
            let (id, hours) = word::pair("--high-hours", entry, "pull=9")?;
            find(&mut order.operations, "operation", id, |operation| &operation.id)?.high_work =
                end("--high-hours", hours)?;
        }
        self.progress(order, zone)
    }

    fn progress(&self, order: &mut v1::Order, zone: &TimeZone) -> Result<(), Failure> {
        let at = match &self.at {
            Some(at) => word::instant("--at", at, zone)?,
            None => to_proto(whole_minute(Timestamp::now())),
        };
        if let Some(id) = &self.start {
            let operation = find(&mut order.operations, "operation", id, |operation| &operation.id)?;
            let left = self.left.as_deref().map(|left| word::hours("--left", left)).transpose()?;
            if let Some(visit) = order.visits.iter_mut().find(|visit| visit.id == operation.visit) {
                enter(visit, id, self.bay.as_deref())?;
            }
            operation.progress = Some(v1::Progress {
                state: v1::progress::State::Running.into(),
                start_time: Some(at),
                technicians: self.by.clone(),
                remaining_work: left.map(duration).or(operation.work),
                remaining_time: Some(at),
                ..Default::default()
            });
        }
        if let Some(id) = &self.finish {
            let operation = find(&mut order.operations, "operation", id, |operation| &operation.id)?;
            let Some(running) = operation.progress.take() else {
                return Err(Failure::usage(format!("operation {id} has not started"))
                    .hint(format!("say when and by whom: --start {id} --at TIME --by TECHNICIAN")));
            };
            let state = v1::progress::State::Done.into();
            operation.progress = Some(v1::Progress {
                state,
                start_time: running.start_time,
                end_time: Some(at),
                technicians: running.technicians,
                ..Default::default()
            });
        }
        Ok(())
    }
}

/// Returns the low or the high of an operation; `none` takes it back.
fn end(flag: &str, hours: &str) -> Result<Option<prost_types::Duration>, Failure> {
    if hours == "none" { Ok(None) } else { Ok(Some(duration(word::hours(flag, hours)?))) }
}

/// Says in which bay a visit is, now that one of its operations has started.
fn enter(visit: &mut v1::Visit, operation: &str, bay: Option<&str>) -> Result<(), Failure> {
    if let Some(bay) = bay {
        bay.clone_into(&mut visit.bay);
    }
    if visit.bay.is_empty() {
        return Err(Failure::usage(format!("operation {operation} starts the visit {}", visit.id))
            .hint(format!("say in which bay: --in BAY; it must be of class {}", visit.bay_class)));
    }
    Ok(())
}

fn whole_minute(instant: Timestamp) -> Timestamp {
    Timestamp::from_second(instant.as_second().div_euclid(60) * 60).unwrap_or(instant)
}

fn named<'e>(entry: &'e str, flag: &str, there: &str, zone: &TimeZone) -> Result<(&'e str, When), Failure> {
    let (id, time) = word::pair(flag, entry, &format!("fender={there}"))?;
    Ok((id, word::when(flag, time, there, zone)?))
}

fn find<'t, T>(things: &'t mut [T], kind: &str, id: &str, id_of: impl Fn(&T) -> &String) -> Result<&'t mut T, Failure> {
    let index = things.iter().position(|thing| id_of(thing) == id).ok_or_else(|| {
        let ids: Vec<&str> = things.iter().map(|thing| id_of(thing).as_str()).collect();
        Failure::usage(format!("the order has no {kind} \"{id}\"{}", outline::hint(id, &ids)))
    })?;
    Ok(&mut things[index])
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        change: ChangeArgs,
    }

    fn change(words: &[&str]) -> Result<(Vec<&'static str>, v1::Order), Failure> {
        let text = include_str!("../../../examples/orders.toml").to_owned();
        let order = read_orders(&Source { name: String::new(), text }, &TimeZone::UTC).orders.remove(0).order;
        let line = Line::try_parse_from(["change", "1050"].iter().chain(words)).expect("parses");
        let mut changed = order.clone();
        line.change.flags.apply(&mut changed, &TimeZone::UTC)?;
        Ok((differing(&order, &changed), changed))
    }

    #[test]
    fn flags_change_only_what_they_name() {
        let (fields, order) = change(&["--part", "quarter-panel=received", "--promise", "none"]).expect("applies");
        assert_eq!(fields, ["promise_time", "parts"]);
        assert!(order.parts[0].received && order.parts[0].expected_time.is_none());
    }

    #[test]
    fn an_operation_is_finished_by_those_who_started_it() {
        let (fields, order) = change(&["--finish", "pull", "--at", "2031-05-05 14:00"]).expect("applies");
        assert_eq!(fields, ["operations"]);
        let progress = order.operations[1].progress.clone().expect("has progress");
        assert_eq!((progress.state(), progress.technicians.len()), (v1::progress::State::Done, 2));
        let failure = change(&["--finish", "panel"]).expect_err("has not started");
        assert_eq!(failure.message, "operation panel has not started");
    }

    #[test]
    fn unknown_names_get_a_hint() {
        let failure = change(&["--part", "quarter=received"]).expect_err("is unknown");
        assert_eq!(failure.message, "the order has no part \"quarter\"; did you mean \"quarter-panel\"?");
    }
}
