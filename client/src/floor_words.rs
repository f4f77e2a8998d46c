//! What the floor tells, in words: records, what they hit, the dispatch list, and how plans differ.

use fitup_proto::v1;
use fitup_proto::v1::change_reason::Kind as Why;
use fitup_proto::v1::dispatch_entry::State;
use fitup_proto::v1::dispatch_wait::Kind as Wait;
use fitup_proto::v1::floor_record::Kind;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use prost_types::Timestamp;

use crate::commands::take_in::wrapped;
use crate::names::last;
use crate::output::columns;
use crate::wire::{from_proto, minutes};
use crate::words::{count, hours, proto_when, span};

/// Returns a record as a line.
pub fn record(record: &v1::FloorRecord, zone: &TimeZone) -> String {
    let place = format!("{} of order {}", record.operation, last(&record.order));
    let people = record.technicians.join(" and ");
    let subject = &record.subject;
    let when = |time: &Option<Timestamp>| proto_when(time.as_ref(), zone);
    let at = when(&record.event_time);
    let bay = if record.bay.is_empty() { String::new() } else { format!(" in {}", record.bay) };
    let reason = if record.reason.is_empty() { String::new() } else { format!(" ({})", record.reason) };
    let measured =
        if record.measurement.is_empty() { String::new() } else { format!(", measured {}", record.measurement) };
    let left = record.booked_work.as_ref().map_or(String::new(), |work| hours(minutes(work)));
    let range = || format!("{} to {}", when(&record.start_time), when(&record.end_time));
    let part = || format!("part {subject} of order {}", last(&record.order));
    let expected = || {
        let sure = if record.count > 0 { format!(", {} % sure", record.count) } else { String::new() };
        format!("expected {}{sure}", when(&record.end_time))
    };
    match record.kind() {
        Kind::On => format!("{place}: {people} clocked on{bay} at {at}"),
        Kind::Off => format!("{place}: {people} clocked off at {at}, {left} left"),
        Kind::Pause => format!("{place}: paused at {at}, {left} left{reason}"),
        Kind::Finish => format!("{place}: done at {at}{}", took(record)),
        Kind::Reopen => format!("{place}: not done after all, {left} left{reason}"),
        Kind::Pass => format!("{place}: passed at {at}{measured}{reason}"),
        Kind::Fail => {
            format!("{place}: failed at {at}{measured}{reason}; added {}", record.added_operations.join(", "))
        }
        Kind::Swap => format!("{place}: {people}, without {subject}"),
        Kind::Pin => {
            let mut ties = Vec::new();
            if !people.is_empty() {
                ties.push(format!("to {people}"));
            }
            if !record.bay.is_empty() {
                ties.push(format!("to {}", record.bay));
            }
            if record.start_time.is_some() {
                ties.push(format!("to {}", when(&record.start_time)));
            }
            format!("{place}: pinned {}", ties.join(" and "))
        }
        Kind::Unpin => format!("{place}: free again"),
        Kind::PartOrdered => format!("{}: ordered, {}{reason}", part(), expected()),
        Kind::PartExpected => format!("{}: {}{reason}", part(), expected()),
        Kind::PartReceived => format!("{}: received{reason}", part()),
        Kind::PartWrong => format!("{}: wrong, the right one {}{reason}", part(), expected()),
        Kind::PartDamaged => format!("{}: damaged, another one {}{reason}", part(), expected()),
        Kind::PartReturned => format!("{}: returned, another one {}{reason}", part(), expected()),
        Kind::Out => format!("{subject}: out {}{reason}", range()),
        Kind::Back => format!("{subject}: back at {at}"),
        Kind::Down => format!("{subject}: down {}{reason}", range()),
        Kind::Up => format!("{subject}: up again at {at}"),
        Kind::Short => format!("{subject}: short by {} {}{reason}", record.count, range()),
        Kind::Whole => format!("{subject}: whole again at {at}"),
        Kind::Overtime => format!("{subject}: overtime open {}{reason}", range()),
        Kind::Unspecified => format!("{place}: recorded at {at}"),
    }
}

/// Returns how long finished work took, against what was booked and planned.
fn took(record: &v1::FloorRecord) -> String {
    let minutes_between = |from: &Option<Timestamp>, to: &Option<Timestamp>| {
        let (from, to) = (from_proto(from.as_ref())?, from_proto(to.as_ref())?);
        Some(to.duration_since(from).as_mins())
    };
    let mut parts = Vec::new();
    if let Some(passed) = minutes_between(&record.start_time, &record.end_time) {
        parts.push(format!("{} after its start", span(passed)));
    }
    if let Some(booked) = &record.booked_work {
        parts.push(format!("booked {}", hours(minutes(booked))));
    }
    match minutes_between(&record.planned_end_time, &record.end_time) {
        Some(0) => parts.push("as planned".to_owned()),
        Some(late) if late > 0 => parts.push(format!("{} later than planned", span(late))),
        Some(early) => parts.push(format!("{} earlier than planned", span(-early))),
        None => {}
    }
    if parts.is_empty() { String::new() } else { format!(": {}", parts.join(", ")) }
}

/// Returns what becomes of the published plan, a line for each order that is hit.
pub fn hits(impact: &v1::Impact, zone: &TimeZone) -> String {
    if impact.hits.is_empty() {
        return "the published plan holds\n".to_owned();
    }
    let broken =
        impact.hits.iter().filter(|hit| promise(hit.promise_time, hit.expected_time) == Promise::Broken).count();
    let mut text = format!(
        "if nobody does anything, {} complete at another time, {}:\n",
        match impact.hits.len() {
            1 => "1 car is".to_owned(),
            cars => format!("{cars} cars are"),
        },
        if broken == 0 { "no promise breaks".to_owned() } else { format!("{} late", count(broken, "promise")) }
    );
    let mut rows = vec![["order", "published", "now", "by", "promise"].map(str::to_owned).to_vec()];
    for hit in &impact.hits {
        let by = match (from_proto(hit.published_time.as_ref()), from_proto(hit.expected_time.as_ref())) {
            (Some(published), Some(expected)) => signed(expected.duration_since(published).as_mins()),
            (None, Some(_)) => "new".to_owned(),
            (_, None) => "no place".to_owned(),
        };
        rows.push(vec![
            last(&hit.order).to_owned(),
            proto_when(hit.published_time.as_ref(), zone),
            proto_when(hit.expected_time.as_ref(), zone),
            by,
            promised(hit.promise_time, hit.published_time, hit.expected_time, zone),
        ]);
    }
    text += &columns(&rows);
    for hit in impact.hits.iter().filter(|hit| !hit.message.is_empty()) {
        text += &format!("{}: {}\n", last(&hit.order), hit.message);
    }
    text
}

fn signed(minutes: i64) -> String {
    if minutes < 0 { format!("-{}", span(-minutes)) } else { format!("+{}", span(minutes)) }
}

/// How a promise stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Promise {
    None,
    Holds,
    Broken,
}

fn promise(promise: Option<Timestamp>, completion: Option<Timestamp>) -> Promise {
    match (from_proto(promise.as_ref()), from_proto(completion.as_ref())) {
        (None, _) => Promise::None,
        (Some(promise), Some(completion)) if completion <= promise => Promise::Holds,
        _ => Promise::Broken,
    }
}

fn promised(
    promised: Option<Timestamp>,
    before: Option<Timestamp>,
    after: Option<Timestamp>,
    zone: &TimeZone,
) -> String {
    let when = proto_when(promised.as_ref(), zone);
    let late = match (from_proto(promised.as_ref()), from_proto(after.as_ref())) {
        (Some(promise), Some(after)) => span(after.duration_since(promise).as_mins()),
        (Some(_), None) => return format!("was promised {when}: it has no place"),
        (None, _) => String::new(),
    };
    match (promise(promised, before), promise(promised, after)) {
        (_, Promise::None) => "nothing was promised".to_owned(),
        (Promise::Broken, Promise::Holds) if before.is_some() => format!("was promised {when}: holds again"),
        (_, Promise::Holds) => format!("was promised {when}: still holds"),
        (Promise::Broken, Promise::Broken) if before.is_some() => {
            format!("was promised {when}: late before, now by {late}")
        }
        (_, Promise::Broken) => format!("was promised {when}: late by {late}"),
    }
}

/// Returns how two plans differ: operations, then promises.
pub fn diff(diff: &v1::PlanDiff, zone: &TimeZone) -> String {
    let mut text = format!("{} -> {}\n", last(&diff.before), last(&diff.after));
    if diff.operations.is_empty() && diff.promises.is_empty() {
        return text + "nothing differs\n";
    }
    let there = diff.operations.iter().filter(|change| change.before.is_some() && change.after.is_some()).count();
    text += &format!("{there} of {} planned otherwise\n", count(diff.compared_count.max(0) as usize, "operation"));
    for change in &diff.operations {
        text += &format!("  {}\n", operation(change, zone));
    }
    let moved = diff.promises.len();
    text += &match moved {
        0 => "every car is complete at the same time\n".to_owned(),
        1 => "1 car is complete at another time\n".to_owned(),
        cars => format!("{cars} cars are complete at another time\n"),
    };
    for change in &diff.promises {
        text += &format!(
            "  {} {} -> {} ({})\n",
            last(&change.order),
            short(change.before_time.as_ref(), zone),
            short(change.after_time.as_ref(), zone),
            promised(change.promise_time, change.before_time, change.after_time, zone)
        );
    }
    text
}

fn operation(change: &v1::OperationChange, zone: &TimeZone) -> String {
    let name = if change.display_name.is_empty() { &change.operation } else { &change.display_name };
    let mut text = format!("{name} of order {}: ", last(&change.order));
    let place = |slot: &v1::Slot| {
        let bay = if slot.bay.is_empty() { String::new() } else { format!(" {}", slot.bay) };
        format!("{}{bay}", short(slot.start_time.as_ref(), zone))
    };
    match (&change.before, &change.after) {
        (Some(before), Some(after)) => {
            if before.start_time == after.start_time && before.bay == after.bay {
                text += &place(before);
            } else {
                text += &format!("{} -> {}", place(before), place(after));
            }
            let gone: Vec<&str> = only(&before.technicians, &after.technicians);
            let come: Vec<&str> = only(&after.technicians, &before.technicians);
            if !come.is_empty() {
                text += &format!(", {} instead of {}", come.join(" and "), gone.join(" and "));
            }
        }
        (None, Some(after)) => {
            text += &format!("new, {}", place(after));
            if !after.technicians.is_empty() {
                text += &format!(", {}", after.technicians.join(" and "));
            }
        }
        (Some(before), None) => text += &format!("{} -> not planned", place(before)),
        (None, None) => text += "not planned",
    }
    if let Some(reason) = &change.reason {
        text += &format!(", because {}", because(reason, zone));
    }
    text
}

fn only<'t>(these: &'t [String], those: &[String]) -> Vec<&'t str> {
    these.iter().filter(|id| !those.contains(id)).map(String::as_str).collect()
}

fn because(reason: &v1::ChangeReason, zone: &TimeZone) -> String {
    let (subject, holder) = (&reason.subject, &reason.holder);
    let until = short(reason.until_time.as_ref(), zone);
    match reason.kind() {
        Why::Part | Why::Approval => format!("{subject} expected {until}"),
        Why::Out => format!("{subject} is out until {until}"),
        Why::Down => format!("{subject} is down until {until}"),
        Why::Short => format!("{subject} is short until {until}"),
        Why::Settled => "it was settled by hand".to_owned(),
        Why::After => format!("{subject} before it goes on until {until}"),
        Why::Busy => format!("{subject} is on {holder} until {until}"),
        Why::Taken => format!("{subject} has {holder} in it until {until}"),
        Why::Unspecified => "of something else".to_owned(),
    }
}

/// Returns an instant as `Tue 13:00`; with its date if that is not within a week of ours by the words alone.
fn short(instant: Option<&Timestamp>, zone: &TimeZone) -> String {
    from_proto(instant).map_or_else(
        || "no place".to_owned(),
        |instant| zone.to_datetime(instant).strftime("%a %-d %b %H:%M").to_string(),
    )
}

/// Returns the dispatch list.
pub fn dispatch_list(list: &v1::DispatchList, zone: &TimeZone, width: usize) -> String {
    let mut text = format!(
        "plan {} at {}{}\n",
        last(&list.plan),
        proto_when(list.as_of_time.as_ref(), zone),
        if list.stale { "; out of date, see `fitup floor impact`" } else { "" }
    );
    let today = from_proto(list.as_of_time.as_ref()).map(|now| zone.to_datetime(now).date());
    let mut hazards = false;
    for (kind, lanes) in [("by technician", &list.technicians), ("by bay", &list.bays)] {
        if lanes.is_empty() {
            continue;
        }
        text += &format!("\n{kind}\n");
        for lane in lanes {
            if lane.entries.is_empty() {
                text += &format!("{}: nothing today\n", lane.id);
                continue;
            }
            text += &format!("{}\n", lane.id);
            let next = lane.entries.iter().position(|entry| !matches!(entry.state(), State::Running | State::Blocked));
            let rows: Vec<Vec<String>> = lane
                .entries
                .iter()
                .enumerate()
                .map(|(index, entry)| entry_row(entry, Some(index) == next, kind == "by bay", (zone, today)))
                .collect();
            text += &columns(&rows);
            hazards |= lane.entries.iter().any(|entry| !entry.hazards.is_empty());
        }
    }
    if hazards {
        text += &format!("\n{}", cautions(list, width));
    }
    text
}

/// Returns what is said of each hazard that is listed, once, and whose word comes first.
fn cautions(list: &v1::DispatchList, width: usize) -> String {
    let lanes = list.technicians.iter().chain(&list.bays);
    let listed: Vec<v1::Hazard> = lanes.flat_map(|lane| &lane.entries).flat_map(|entry| entry.hazards()).collect();
    let mut text = String::new();
    for said in list.cautions.iter().filter(|said| listed.contains(&said.hazard())) {
        let caution = said.caution.clone().unwrap_or_default();
        text += &wrapped(&format!("! {}: {}", hazard(said.hazard()), caution.message), width, "");
        text += &wrapped(&format!("source: {}", caution.source), width, "  ");
    }
    let last_word = "The vehicle maker's procedures and local codes come first.";
    text + if list.last_word.is_empty() { last_word } else { &list.last_word } + "\n"
}

fn entry_row(
    entry: &v1::DispatchEntry,
    is_next: bool,
    by_bay: bool,
    (zone, today): (&TimeZone, Option<Date>),
) -> Vec<String> {
    let clock = |time: Option<&Timestamp>| {
        from_proto(time).map_or_else(String::new, |time| {
            let time = zone.to_datetime(time);
            time.strftime(if today == Some(time.date()) { "%H:%M" } else { "%a %H:%M" }).to_string()
        })
    };
    let mark = if is_next { ">" } else { " " };
    let name = if entry.display_name.is_empty() { &entry.operation } else { &entry.display_name };
    let name = if entry.hold_point { format!("{name} (hold point)") } else { name.clone() };
    let hazards: Vec<&str> = entry.hazards().map(hazard).collect();
    let caution = if hazards.is_empty() { String::new() } else { format!("  ! {}", hazards.join(", ")) };
    let who = if by_bay { entry.technicians.join(" and ") } else { entry.bay.clone() };
    let state = match entry.state() {
        State::Running => "running".to_owned(),
        State::Paused => format!("paused{}", waits(entry, zone)),
        State::Ready => "ready".to_owned(),
        State::Waiting => format!("waits{}", waits(entry, zone)),
        State::Blocked => format!("blocked{}", waits(entry, zone)),
        State::Unspecified => String::new(),
    };
    vec![
        format!("{mark} {}-{}", clock(entry.start_time.as_ref()), clock(entry.end_time.as_ref())),
        last(&entry.order).to_owned(),
        name,
        if who.is_empty() { "-".to_owned() } else { who },
        format!("{state}{caution}"),
    ]
}

fn waits(entry: &v1::DispatchEntry, zone: &TimeZone) -> String {
    let waits: Vec<String> = entry.waits.iter().map(|found| wait(found, zone)).collect();
    if waits.is_empty() { String::new() } else { format!(": {}", waits.join("; ")) }
}

fn wait(wait: &v1::DispatchWait, zone: &TimeZone) -> String {
    let (subject, holder) = (&wait.subject, &wait.holder);
    let until = wait.until_time.as_ref().map_or(String::new(), |time| short(Some(time), zone));
    match wait.kind() {
        Wait::Car => format!("the car comes {until}"),
        Wait::Work => format!("{subject}, planned until {until}"),
        Wait::Cure => format!("{subject} runs until {until}"),
        Wait::Part if until.is_empty() => format!("part {subject}"),
        Wait::Part => format!("part {subject}, expected {until}"),
        Wait::Approval if until.is_empty() => format!("approval {subject}"),
        Wait::Approval => format!("approval {subject}, expected {until}"),
        Wait::Bay => format!("{subject} has {holder} in it"),
        Wait::Technician => format!("{subject} is on {holder}"),
        Wait::Out => format!("{subject} is out until {until}"),
        Wait::Down => format!("{subject} is down until {until}"),
        Wait::Unspecified => subject.clone(),
    }
}

fn hazard(hazard: v1::Hazard) -> &'static str {
    match hazard {
        v1::Hazard::HighVoltage => "high voltage",
        v1::Hazard::RestraintSystem => "restraint system",
        v1::Hazard::Isocyanate => "isocyanate",
        v1::Hazard::UncuredGlass => "uncured glass",
        v1::Hazard::RaisedVehicle => "raised vehicle",
        v1::Hazard::Tension => "tension",
        v1::Hazard::Refrigerant => "refrigerant",
        v1::Hazard::Welding => "welding",
        v1::Hazard::Unspecified => "caution",
    }
}
