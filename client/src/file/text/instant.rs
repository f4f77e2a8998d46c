//! Dates, instants and intervals.

use fitup_proto::v1;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use prost_types::Timestamp as ProtoTimestamp;

use super::{split_note, with_note};
use crate::wire::{from_proto, to_proto};

/// Parses a date.
///
/// # Errors
///
/// With what is wrong, for people, as all parsers here.
pub fn date(text: &str) -> Result<Date, String> {
    let well_formed = text.len() == 10 && text.as_bytes()[4] == b'-' && text.as_bytes()[7] == b'-';
    match text.parse::<Date>() {
        Ok(date) if well_formed => Ok(date),
        _ => Err(format!("\"{text}\" is no date such as 2031-05-26")),
    }
}

/// Parses an instant; without a zone it is local time in `zone`.
///
/// # Errors
///
/// If it is malformed, or the clocks skip it.
pub fn instant(text: &str, zone: &TimeZone) -> Result<Timestamp, String> {
    let text = text.trim();
    if let Ok(timestamp) = zoned_text(text).parse::<Timestamp>() {
        return Ok(timestamp);
    }
    if date(text).is_ok() {
        return Err(format!("\"{text}\" has no time of day; write \"{text} 08:00\""));
    }
    local_instant(local(text)?, zone)
}

/// Parses an instant into the form that is sent.
///
/// # Errors
///
/// As [`instant`].
pub fn proto_instant(text: &str, zone: &TimeZone) -> Result<ProtoTimestamp, String> {
    instant(text, zone).map(to_proto)
}

/// Puts the seconds that RFC 3339 wants into `2031-11-02T01:30-06:00`.
fn zoned_text(text: &str) -> String {
    let bytes = text.as_bytes();
    let short = bytes.len() > 16 && text.is_char_boundary(16) && matches!(bytes[16], b'+' | b'-' | b'Z' | b'z');
    if short { format!("{}:00{}", &text[..16], &text[16..]) } else { text.to_owned() }
}

/// Parses `2031-05-05 08:00`.
fn local(text: &str) -> Result<DateTime, String> {
    let wrong = || format!("\"{text}\" is no time such as \"2031-05-05 08:00\"");
    let (day, time) = text.split_once([' ', 'T']).ok_or_else(wrong)?;
    let day = date(day).map_err(|_| wrong())?;
    let time = time.trim();
    let time = time.strip_suffix(":00").filter(|short| short.contains(':')).unwrap_or(time);
    if time == "24:00" {
        return day.tomorrow().map(|day| day.to_datetime(Time::midnight())).map_err(|_| wrong());
    }
    Ok(day.to_datetime(clock(time).ok_or_else(wrong)?))
}

fn local_instant(local: DateTime, zone: &TimeZone) -> Result<Timestamp, String> {
    let ambiguous = zone.to_ambiguous_timestamp(local);
    if let jiff::tz::AmbiguousOffset::Gap { .. } = ambiguous.offset() {
        let zone = zone.iana_name().unwrap_or("this zone");
        return Err(format!("{} does not exist in {zone}: the clocks skip it", local.strftime("%F %H:%M")));
    }
    ambiguous.compatible().map_err(|_| format!("{local} is out of range"))
}

/// Parses `8:00` or `08:00`.
pub(super) fn clock(text: &str) -> Option<Time> {
    let (hour, minute) = text.split_once(':')?;
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(hour) || !digits(minute) || hour.is_empty() || hour.len() > 2 || minute.len() != 2 {
        return None;
    }
    Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
}

/// Writes an instant in local time; with its offset if local time alone would mean another one.
pub fn write_instant(instant: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(instant);
    let text = local.strftime("%F %H:%M").to_string();
    if local_instant(local, zone) == Ok(instant) && local.second() == 0 && local.subsec_nanosecond() == 0 {
        return text;
    }
    let exact = instant.to_zoned_datetime(zone.clone());
    if local.second() == 0 && local.subsec_nanosecond() == 0 {
        exact.strftime("%FT%H:%M%:z").to_string()
    } else {
        instant.to_string()
    }
}

/// Parses an interval with an optional note.
///
/// # Errors
///
/// If it is malformed, empty, or ends before it starts.
pub fn period(text: &str, zone: &TimeZone) -> Result<v1::Period, String> {
    let (main, note) = split_note(text)?;
    let (start, end) = interval(main, zone)?;
    if end <= start {
        return Err(format!("\"{main}\" does not end after it starts"));
    }
    Ok(v1::Period { start_time: Some(to_proto(start)), end_time: Some(to_proto(end)), note })
}

fn interval(text: &str, zone: &TimeZone) -> Result<(Timestamp, Timestamp), String> {
    if let Some((start, end)) = text.split_once("..") {
        let (start, end) = (start.trim(), end.trim());
        if date(start).is_ok() || date(end).is_ok() {
            return Err(format!(
                "write \"{start} through {end}\" for whole days, both included, or give both times of day"
            ));
        }
        let from = instant(start, zone)?;
        if end.contains(['-', 'T', ' ']) {
            return Ok((from, instant(end, zone)?));
        }
        let day = zone.to_datetime(from).date();
        return Ok((from, local_instant(local(&format!("{day} {end}"))?, zone)?));
    }
    let (first, last) = days(text).map_err(|_| {
        format!("\"{text}\" is no interval such as \"2031-05-06 08:00 .. 12:00\" or \"2031-05-06 through 2031-05-08\"")
    })?;
    let after = last.tomorrow().map_err(|_| format!("{last} is out of range"))?;
    Ok((day_start(first, zone)?, day_start(after, zone)?))
}

/// Parses one date, or the first and last of several, `2031-05-06 through 2031-05-08`.
pub(super) fn days(text: &str) -> Result<(Date, Date), String> {
    let (first, last) = text.split_once("through").unwrap_or((text, text));
    let (first, last) = (date(first.trim())?, date(last.trim())?);
    if last < first {
        return Err(format!("{last} is before {first}"));
    }
    Ok((first, last))
}

fn day_start(day: Date, zone: &TimeZone) -> Result<Timestamp, String> {
    let start = zone.to_ambiguous_timestamp(day.to_datetime(Time::midnight())).compatible();
    start.map_err(|_| format!("{day} is out of range"))
}

/// Writes an interval with its note.
pub fn write_period(period: &v1::Period, zone: &TimeZone) -> String {
    let (start, end) = (from_proto(period.start_time.as_ref()), from_proto(period.end_time.as_ref()));
    let interval = match (start, end) {
        (Some(start), Some(end)) => write_interval(start, end, zone),
        _ => String::new(),
    };
    with_note(interval, &period.note)
}

fn write_interval(start: Timestamp, end: Timestamp, zone: &TimeZone) -> String {
    let (from, to) = (zone.to_datetime(start), zone.to_datetime(end));
    let means_the_same = |text: &str| interval(text, zone) == Ok((start, end));
    let last = to.date().yesterday().unwrap_or(to.date());
    let days = if from.date() == last { last.to_string() } else { format!("{} through {last}", from.date()) };
    let hours = format!("{} .. {}", write_instant(start, zone), to.strftime("%H:%M"));
    if means_the_same(&days) {
        days
    } else if means_the_same(&hours) {
        hours
    } else {
        format!("{} .. {}", write_instant(start, zone), write_instant(end, zone))
    }
}
