//! Parts of days, lines of weeks, and days that differ from the week.

use fitup_proto::v1;
use jiff::ToSpan;
use jiff::tz::TimeZone;

use super::instant::{clock, date, days};
use super::{split_note, with_note};

/// Parses `08:00-17:00`.
fn window(text: &str) -> Result<v1::DayWindow, String> {
    let wrong = || format!("\"{text}\" is no part of a day such as 08:00-17:00");
    let (start, end) = text.trim().split_once('-').ok_or_else(wrong)?;
    let start = clock(start.trim()).ok_or_else(wrong)?;
    let end = match end.trim() {
        "24:00" => "24:00".to_owned(),
        end => {
            let end = clock(end).ok_or_else(wrong)?;
            if end <= start {
                return Err(format!("\"{text}\" does not end after it starts"));
            }
            end.strftime("%H:%M").to_string()
        }
    };
    Ok(v1::DayWindow { start_time_of_day: start.strftime("%H:%M").to_string(), end_time_of_day: end })
}

fn windows(text: &str) -> Result<Vec<v1::DayWindow>, String> {
    text.split(',').map(window).collect()
}

fn write_windows(windows: &[v1::DayWindow]) -> String {
    let window = |window: &v1::DayWindow| format!("{}-{}", window.start_time_of_day, window.end_time_of_day);
    windows.iter().map(window).collect::<Vec<_>>().join(", ")
}

const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/// Parses a line of a week, `Mon-Fri 08:00-17:00 break 12:00-12:30, 15:00-15:10`.
///
/// # Errors
///
/// If it is malformed.
pub fn shift(text: &str, _: &TimeZone) -> Result<v1::Shift, String> {
    let (days, rest) = text
        .trim()
        .split_once(' ')
        .ok_or_else(|| format!("\"{text}\" is no line of a week such as \"Mon-Fri 08:00-17:00 break 12:00-12:30\""))?;
    let (open, breaks) = match rest.split_once("break") {
        Some((open, breaks)) => (open, windows(breaks)?),
        None => (rest, Vec::new()),
    };
    Ok(v1::Shift { days: weekdays(days)?, window: Some(window(open.trim())?), breaks })
}

/// Parses `Mon-Wed,Sat`.
fn weekdays(text: &str) -> Result<Vec<i32>, String> {
    let day = |name: &str| {
        let found = WEEKDAYS.iter().position(|day| day.eq_ignore_ascii_case(name));
        found.ok_or_else(|| format!("\"{name}\" is no day of the week; the days are {}", WEEKDAYS.join(", ")))
    };
    let mut days = Vec::new();
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last) = (day(first)?, day(last)?);
        let length = (last + 7 - first) % 7;
        days.extend((0..=length).map(|step| ((first + step) % 7) as i32 + 1));
    }
    Ok(days)
}

/// Writes a line of a week.
pub fn write_shift(shift: &v1::Shift) -> String {
    let mut text = format!("{} {}", write_weekdays(&shift.days), write_windows(shift.window.as_slice()));
    if !shift.breaks.is_empty() {
        text += &format!(" break {}", write_windows(&shift.breaks));
    }
    text
}

fn write_weekdays(days: &[i32]) -> String {
    let name = |day: i32| WEEKDAYS.get(day as usize - 1).copied().unwrap_or("?");
    let mut parts = Vec::new();
    let mut rest = days;
    while let Some(&first) = rest.first() {
        let length = rest.iter().zip(first..).take_while(|(day, wanted)| *day == wanted).count();
        parts.push(match length {
            1 => name(first).to_owned(),
            _ => format!("{}-{}", name(first), name(rest[length - 1])),
        });
        rest = &rest[length..];
    }
    parts.join(",")
}

/// Parses days that differ from the week: `2031-05-26 closed (Memorial Day)`, `2031-05-30 08:00-12:00`,
/// `2031-12-24 through 2031-12-31 closed`.
///
/// # Errors
///
/// If it is malformed.
pub fn exception(text: &str, _: &TimeZone) -> Result<v1::CalendarException, String> {
    let (main, note) = split_note(text)?;
    let wrong = || format!("\"{main}\" is no exception such as \"2031-05-26 closed\" or \"2031-05-30 08:00-12:00\"");
    let words: Vec<&str> = main.split_whitespace().collect();
    let dates = if words.get(1) == Some(&"through") { 3 } else { 1 };
    if words.len() <= dates {
        return Err(wrong());
    }
    let (first, last) = days(&words[..dates].join(" "))?;
    let open = match words[dates..].join(" ").as_str() {
        "closed" => Vec::new(),
        open => windows(open)?,
    };
    let end = last.tomorrow().map_err(|_| wrong())?;
    Ok(v1::CalendarException { start_date: first.to_string(), end_date: end.to_string(), open, note })
}

/// Writes days that differ from the week.
pub fn write_exception(exception: &v1::CalendarException) -> String {
    let last = date(&exception.end_date).ok().and_then(|end| end.checked_sub(1.day()).ok());
    let last = last.map_or_else(|| exception.end_date.clone(), |last| last.to_string());
    let days = if last == exception.start_date { last } else { format!("{} through {last}", exception.start_date) };
    let open = if exception.open.is_empty() { "closed".to_owned() } else { write_windows(&exception.open) };
    with_note(format!("{days} {open}"), &exception.note)
}
