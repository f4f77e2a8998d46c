//! An order made from lines, in words: a list, a drawing, cautions, and what it does to promises.

use fitup_proto::v1;
use fitup_proto::v1::r#override::Settled;

use super::book;
use crate::cli::ShopAt;
use crate::drawing;
use crate::file::text::write_link;
use crate::names::last;
use crate::output::columns;
use crate::wire::minutes;
use crate::words::{count, hours, proto_when, span};

/// Returns all of it.
pub fn shown(take_in: &v1::TakeIn, at: &ShopAt, width: usize, why: bool) -> String {
    let order = take_in.order.clone().unwrap_or_default();
    let book = book(take_in.rule_book_revision);
    let mut text = format!(
        "order {}, {}: {} from {} by {book}\n\n",
        last(&order.name),
        order.vehicle,
        count(order.operations.len(), "operation"),
        count(take_in.lines.len(), "line"),
    );
    text += &list(take_in, &order);
    text += &waits(&order);
    text += &needs(&order, at);
    text += &holds(take_in);
    text += &settled(take_in);
    if why {
        text += &reasons(take_in, width);
    }
    text += &format!("\nwhat comes after what\n{}\n", drawing::draw(&order));
    text += &effects(take_in, at);
    text += &cautions(take_in.cautions.iter(), &take_in.last_word, width);
    text
}

fn list(take_in: &v1::TakeIn, order: &v1::Order) -> String {
    let mut rows = vec![["operation", "work", "crew", "bay class", "lines", "rules"].map(str::to_owned).to_vec()];
    for operation in drawing::sorted(order) {
        let origin = take_in.origins.iter().find(|origin| origin.operation == operation.id);
        let visit = order.visits.iter().find(|visit| visit.id == operation.visit);
        let loose = if visit.is_some_and(|visit| visit.loose_parts) { " (parts)" } else { "" };
        let lines = origin.map(|origin| {
            let mut lines: Vec<&str> = Vec::new();
            for share in &origin.shares {
                if !lines.contains(&share.line.as_str()) {
                    lines.push(&share.line);
                }
            }
            if lines.is_empty() { "every car".to_owned() } else { lines.join(" ") }
        });
        let state = match operation.progress.as_ref().map(v1::Progress::state) {
            Some(v1::progress::State::Done) => " done",
            Some(v1::progress::State::Running) => " running",
            _ => "",
        };
        rows.push(vec![
            format!("{}{state}", operation.id),
            hours(operation.work.as_ref().map_or(0, minutes)),
            if operation.crew.is_empty() { "(by itself)".to_owned() } else { operation.crew.join(" + ") },
            visit.map_or("-".to_owned(), |visit| format!("{}{loose}", visit.bay_class)),
            lines.unwrap_or_else(|| "by hand".to_owned()),
            origin.map_or("-".to_owned(), |origin| origin.rules.join(" ")),
        ]);
    }
    columns(&rows)
}

fn waits(order: &v1::Order) -> String {
    let waiting = order.links.iter().filter(|link| link.min_wait.is_some() || link.max_wait.is_some());
    let lines: Vec<String> = waiting.map(|link| format!("wait: {} after {}", link.to, write_link(link))).collect();
    if lines.is_empty() { String::new() } else { format!("\n{}\n", lines.join("\n")) }
}

fn needs(order: &v1::Order, at: &ShopAt) -> String {
    let users = |id: &str| {
        let users = order.operations.iter().filter(|operation| operation.needs.iter().any(|need| need == id));
        let users: Vec<&str> = users.map(|operation| operation.id.as_str()).collect();
        if users.is_empty() { "nothing".to_owned() } else { users.join(", ") }
    };
    let mut text = String::new();
    for part in &order.parts {
        let when =
            if part.received { "received".to_owned() } else { proto_when(part.expected_time.as_ref(), &at.zone) };
        text += &format!("part {} ({}), {when}: needed for {}\n", part.id, part.display_name, users(&part.id));
    }
    for approval in &order.approvals {
        let when =
            if approval.granted { "granted".to_owned() } else { proto_when(approval.expected_time.as_ref(), &at.zone) };
        text += &format!("approval {}, {when}: needed for {}\n", approval.id, users(&approval.id));
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}

fn holds(take_in: &v1::TakeIn) -> String {
    let mut text = String::new();
    let operations = take_in.order.as_ref().map_or(&[][..], |order| &order.operations);
    for origin in take_in.origins.iter().filter(|origin| !origin.hold_point.is_empty()) {
        text += &format!("hold point {}: {}", origin.operation, origin.hold_point);
        let check = operations.iter().find(|operation| operation.id == origin.operation);
        let rework = check.and_then(|check| check.hold_point.as_ref()).map_or(&[][..], |hold| &hold.rework);
        if !rework.is_empty() {
            text += &format!("; a fail brings {}, then the check again", rework.join(", "));
        }
        text += "\n";
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}

fn settled(take_in: &v1::TakeIn) -> String {
    let mut text = String::new();
    for settled in take_in.overrides.iter().filter_map(|one| one.settled.as_ref()) {
        let words = match settled {
            Settled::Work(work) => format!("{} takes {}", work.operation, hours(work.work.as_ref().map_or(0, minutes))),
            Settled::Crew(crew) => format!("{} is done by {}", crew.operation, crew.crew.join(" + ")),
            Settled::Link(link) => format!("{} comes after {}", link.to, write_link(link)),
            Settled::Unlink(unlink) => format!("{} need not come after {}", unlink.to, unlink.from),
            Settled::LeaveOut(operation) => format!("{operation} is left out"),
        };
        text += &format!("settled by hand: {words}\n");
    }
    for resting in &take_in.resting {
        text += &format!("settled, but without effect at present: {resting}\n");
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}

fn reasons(take_in: &v1::TakeIn, width: usize) -> String {
    let mut text = String::from("\n");
    for origin in &take_in.origins {
        text += &wrapped(&format!("{}: {}", origin.operation, origin.why.join("; ")), width, "");
        text += &wrapped(&format!("source: {}", origin.sources.join("; ")), width, "  ");
    }
    text
}

fn effects(take_in: &v1::TakeIn, at: &ShopAt) -> String {
    if take_in.effects.is_empty() {
        return String::new();
    }
    let mut rows = vec![["order", "promised", "complete now", "would be", ""].map(str::to_owned).to_vec()];
    for effect in &take_in.effects {
        let seconds = |time: Option<&prost_types::Timestamp>| time.map(|time| time.seconds);
        let (before, after) =
            (seconds(effect.completion_before_time.as_ref()), seconds(effect.completion_after_time.as_ref()));
        let promise = seconds(effect.promise_time.as_ref());
        let moved = before.zip(after).map_or(0, |(before, after)| (after - before) / 60);
        let mut words = Vec::new();
        match moved {
            0 => {}
            later if later > 0 => words.push(format!("{} later", span(later))),
            sooner => words.push(format!("{} sooner", span(-sooner))),
        }
        match (promise, before, after) {
            (_, _, None) => words.push("CANNOT BE PLANNED".to_owned()),
            (Some(promise), before, Some(after)) if after > promise => {
                let already = before.is_some_and(|before| before > promise);
                words.push(format!("{}BREAKS its promise", if already { "still " } else { "" }));
            }
            (Some(promise), Some(before), _) if before > promise => words.push("keeps its promise now".to_owned()),
            (Some(_), _, _) => words.push("keeps its promise".to_owned()),
            (None, _, _) => {}
        }
        rows.push(vec![
            last(&effect.order).to_owned(),
            proto_when(effect.promise_time.as_ref(), &at.zone),
            proto_when(effect.completion_before_time.as_ref(), &at.zone),
            proto_when(effect.completion_after_time.as_ref(), &at.zone),
            words.join(", "),
        ]);
    }
    format!("\nwhat it does to promises\n{}", columns(&rows))
}

/// Returns cautions with what they rest on, and the words that come last.
pub fn cautions<'c>(cautions: impl Iterator<Item = &'c v1::Caution>, last_word: &str, width: usize) -> String {
    let mut text = String::new();
    for caution in cautions {
        let about = if caution.about.is_empty() { String::new() } else { format!(" ({})", caution.about.join(", ")) };
        text += &wrapped(&format!("caution: {}{about}", caution.message), width, "");
        text += &wrapped(&format!("source: {}", caution.source), width, "  ");
    }
    if text.is_empty() { text } else { format!("\n{text}{last_word}\n") }
}

/// Breaks a text into lines of at most `width` columns; those after the first are set in further.
pub fn wrapped(text: &str, width: usize, indent: &str) -> String {
    let mut lines = vec![indent.to_owned()];
    for word in text.split_whitespace() {
        let line = &lines[lines.len() - 1];
        let is_empty = line.trim().is_empty();
        if !is_empty && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(format!("{indent}  {word}"));
        } else {
            let at = lines.len() - 1;
            lines[at].push_str(if is_empty { "" } else { " " });
            lines[at].push_str(word);
        }
    }
    lines.join("\n") + "\n"
}
