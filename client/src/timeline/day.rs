//! The view of one day: what starts, by time, with who and where.

use jiff::civil::Date;

use super::axis::local_minute;
use super::{Scene, label, minute};
use crate::output::{columns, shorten};
use crate::words::span;

/// Returns what goes on from the day before, and what happens on `date`, by time.
pub fn draw(scene: &Scene<'_>, date: Date) -> String {
    let midnight = local_minute(date, 0, scene.zone);
    let next = local_minute(date, 1440, scene.zone);
    let is_today = |minute: i64| midnight <= minute && minute < next;
    let mut text = format!("{}\n", scene.paint.bold(&date.strftime("%A %-d %B %Y").to_string()));
    let mut going: Vec<(i64, Vec<String>)> = Vec::new();
    let mut rows: Vec<(i64, u8, Vec<String>)> = Vec::new();
    for work in scene.works() {
        let who = if work.operation.technicians.is_empty() {
            "by itself".to_owned()
        } else {
            work.operation.technicians.join(", ")
        };
        let bay = if work.operation.bay.is_empty() { "-" } else { &work.operation.bay };
        let until = if is_today(work.end - 1) {
            format!("to {}", clock(scene, work.end))
        } else {
            format!("to {}", scene.date(work.end).strftime("%a %-d %b"))
        };
        let cells = |time: String, length: String| {
            vec![
                time,
                label(work.of),
                shorten(&work.operation.operation, 20),
                who.clone(),
                bay.to_owned(),
                until.clone(),
                length,
            ]
        };
        if is_today(work.start) {
            rows.push((work.start, 1, cells(clock(scene, work.start), span(work.end - work.start))));
        } else if work.start < midnight && work.end > midnight {
            going.push((work.start, cells("on".to_owned(), String::new())));
        }
    }
    for order in &scene.plan.orders {
        let id = label(order);
        let mut event = |at: i64, rank: u8, what: &str| {
            if is_today(at) {
                rows.push((at, rank, vec![clock(scene, at), id.clone(), what.to_owned(), shorten(&order.vehicle, 30)]));
            }
        };
        event(minute(order.arrival_time.as_ref()), 0, "* arrives");
        event(minute(order.completion_time.as_ref()), 2, "* complete");
        event(minute(order.promise_time.as_ref()), 3, "* promised");
    }
    going.sort();
    rows.sort();
    if going.is_empty() && rows.is_empty() {
        return text + "nothing starts\n";
    }
    let all: Vec<Vec<String>> =
        going.into_iter().map(|(_, row)| row).chain(rows.into_iter().map(|(_, _, row)| row)).collect();
    text += &table(all);
    text + "\non: goes on from before  * of the whole order  ! late\n"
}

/// Lays out works as columns; the vehicles of events take the room of several.
fn table(rows: Vec<Vec<String>>) -> String {
    let works: Vec<Vec<String>> = rows.iter().filter(|row| row.len() > 4).cloned().collect();
    let mut laid_out: Vec<String> = columns(&works).lines().map(str::to_owned).collect();
    laid_out.reverse();
    let width = |column: usize| works.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let mut text = String::new();
    for row in rows {
        if row.len() > 4 {
            text += &laid_out.pop().unwrap_or_default();
        } else {
            let (time, id) = (width(0).max(5), width(1));
            text += &format!("{:<time$}  {:<id$}  {} {}", row[0], row[1], row[2], row[3]);
        }
        text.push('\n');
    }
    text
}

fn clock(scene: &Scene<'_>, minute: i64) -> String {
    let instant = jiff::Timestamp::from_second(minute * 60).unwrap_or_default();
    scene.zone.to_datetime(instant).strftime("%H:%M").to_string()
}
