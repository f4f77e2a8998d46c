//! The view by order: each car from arrival to completion, and the chain of one car in words.

use fitup_proto::v1;
use jiff::civil::Date;

use super::axis::{Day, days};
use super::{Scene, glyph, glyph_of, held_name, minute};
use crate::names::last;
use crate::output::shorten;
use crate::wire::minutes;
use crate::words::{delay, proto_when, span};

/// What the glyphs mean.
const LEGEND: &str = "= work  - done  ~ cures by itself  . waits  P promise  || closed days\n";

/// Columns at the right for how an order stands to its promise.
const STANDING: usize = 15;

/// Returns all orders over up to `count` working days from `first` on, a line each.
pub fn draw(scene: &Scene<'_>, first: Date, count: usize) -> String {
    let orders = &scene.plan.orders;
    let name = held_name;
    let name_width = orders.iter().map(|order| name(order).len()).max().unwrap_or(5).max(5);
    let room = scene.width.saturating_sub(name_width + STANDING + 3);
    // Two columns a day still show the shape; more if there is room.
    let all = days(scene, first, count.min(room / 3));
    let edges = all.iter().filter(|day| day.after_gap).count() + all.len();
    let cells = room.saturating_sub(edges).checked_div(all.len()).unwrap_or(0).clamp(1, 12);
    let mut text = ruler(scene, &all, cells, name_width);
    for order in orders {
        let standing = standing(order);
        let standing = if order.lateness.is_some() { scene.paint.alarm(&standing) } else { standing };
        text += &format!("{:<name_width$} {} {standing}\n", name(order), row(order, &all, cells));
    }
    text + "\n" + LEGEND
}

fn ruler(scene: &Scene<'_>, days: &[Day], cells: usize, name_width: usize) -> String {
    let mut text = format!("{:<name_width$} ", "");
    for day in days {
        let long = day.date.strftime("%a %-d").to_string();
        let name = if long.len() <= cells { long } else { day.date.strftime("%-d").to_string() };
        text += &format!("{}{name:<cells$.cells$}", edge(day));
    }
    format!("{}|\n", scene.paint.bold(&text))
}

fn edge(day: &Day) -> &'static str {
    if day.after_gap { "||" } else { "|" }
}

fn row(order: &v1::OrderPlan, days: &[Day], cells: usize) -> String {
    let promise = minute(order.promise_time.as_ref());
    let mut text = String::new();
    // A promise outside working hours is kept by the end of the day before it.
    let mut promise_is_due = promise > 0;
    for (index, day) in days.iter().enumerate() {
        text += edge(day);
        let next_start = days.get(index + 1).map_or(i64::MAX, |next| next.start);
        for cell in 0..cells {
            let (start, end) = day.cell(cell, cells);
            let until = if cell + 1 == cells { next_start } else { end };
            let is_promise = promise_is_due && promise < until && (promise >= start || index == 0 && cell == 0);
            if is_promise && promise >= start {
                promise_is_due = false;
                text.push(glyph::PROMISE);
            } else {
                text.push(texture(order, start, end));
            }
        }
    }
    text + "|"
}

/// Returns what happens to a car in a part of a day: work if there is any.
fn texture(order: &v1::OrderPlan, start: i64, end: i64) -> char {
    let here = |from: Option<&prost_types::Timestamp>, to: Option<&prost_types::Timestamp>| {
        minute(from) < end && start < minute(to)
    };
    let glyphs: Vec<char> = order
        .operations
        .iter()
        .filter(|operation| here(operation.start_time.as_ref(), operation.end_time.as_ref()))
        .map(glyph_of)
        .collect();
    let found = [glyph::WORK, glyph::DONE, glyph::CURE].into_iter().find(|glyph| glyphs.contains(glyph));
    let is_in_shop = here(order.arrival_time.as_ref(), order.completion_time.as_ref());
    found.unwrap_or(if is_in_shop { glyph::WAIT } else { ' ' })
}

fn standing(order: &v1::OrderPlan) -> String {
    match (&order.lateness, &order.promise_time) {
        (Some(lateness), _) => format!("late {}", span(minutes(lateness))),
        (None, Some(_)) => "on time".to_owned(),
        (None, None) => "no promise".to_owned(),
    }
}

/// Returns the chain of one order: each operation with where and who, and the waits between.
pub fn chain(scene: &Scene<'_>, order: &v1::OrderPlan) -> String {
    let zone = scene.zone;
    let title = format!("{} {}", last(&order.order), order.vehicle);
    let mut text = format!("{}\n", scene.paint.bold(&title));
    let standing = standing(order);
    let standing = if order.lateness.is_some() { scene.paint.alarm(&standing) } else { standing };
    text += &format!(
        "arrival {}, promise {}\ncomplete {}, {standing}\n",
        proto_when(order.arrival_time.as_ref(), zone),
        proto_when(order.promise_time.as_ref(), zone),
        proto_when(order.completion_time.as_ref(), zone),
    );
    let mut reached = minute(order.arrival_time.as_ref());
    for operation in &order.operations {
        let (start, end) = (minute(operation.start_time.as_ref()), minute(operation.end_time.as_ref()));
        if start > reached {
            text += &format!("  {:<16}  . {}\n", "", wait(order, operation, start - reached));
        }
        reached = reached.max(end);
        text += &line(scene, operation);
    }
    text
}

fn line(scene: &Scene<'_>, operation: &v1::OperationPlan) -> String {
    let (start, end) = (minute(operation.start_time.as_ref()), minute(operation.end_time.as_ref()));
    let who = if operation.technicians.is_empty() { "by itself".to_owned() } else { operation.technicians.join(", ") };
    let place = if operation.bay.is_empty() { String::new() } else { format!(" in {}", operation.bay) };
    let state = match operation.state() {
        v1::operation_plan::State::Done => " (done)",
        v1::operation_plan::State::Running => " (running)",
        v1::operation_plan::State::Planned | v1::operation_plan::State::Unspecified => "",
    };
    let overtime = if is_in_overtime(scene, operation) { " (overtime)" } else { "" };
    let when = proto_when(operation.start_time.as_ref(), scene.zone);
    let what =
        format!("{:<18} {:>12}  {who}{place}{state}{overtime}", shorten(&operation.operation, 18), span(end - start));
    format!("  {when:<16}  {} {what}\n", glyph_of(operation))
}

/// Tells whether any of an operation falls into overtime; the plan says of one only that it may.
fn is_in_overtime(scene: &Scene<'_>, operation: &v1::OperationPlan) -> bool {
    let (start, end) = (minute(operation.start_time.as_ref()), minute(operation.end_time.as_ref()));
    let people = scene.shop.technicians.iter().filter(|person| operation.technicians.contains(&person.id));
    let mut times = people.flat_map(|person| &person.overtime);
    operation.overtime
        && times.any(|time| minute(time.start_time.as_ref()) < end && start < minute(time.end_time.as_ref()))
}

/// Returns why an operation starts so late, if the plan says.
fn wait(order: &v1::OrderPlan, operation: &v1::OperationPlan, length: i64) -> String {
    let start = minute(operation.start_time.as_ref());
    let is_before = |one: &v1::Delay| one.until_time.is_none() || minute(one.until_time.as_ref()) <= start;
    let reasons: Vec<String> = order
        .delays
        .iter()
        .filter(|one| one.operation == operation.operation && one.kind() != v1::delay::Kind::Work && is_before(one))
        .map(|one| delay(one, last(&order.order)))
        .collect();
    if reasons.is_empty() { format!("waits {}", span(length)) } else { format!("waits {}", reasons.join("; ")) }
}
