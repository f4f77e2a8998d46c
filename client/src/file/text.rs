//! The small grammars inside the strings of our files: instants, intervals, times of day, weeks, waits.
//!
//! | what | written | means |
//! | --- | --- | --- |
//! | instant | `2031-05-05 08:00` | local time of the shop; `2031-11-02T01:30-06:00` or `...Z` says its own zone |
//! | interval | `2031-05-06 08:00 .. 2031-05-07 12:00` | half-open: from the first instant up to the second |
//! | | `2031-05-06 08:00 .. 12:00` | on the same day |
//! | | `2031-05-06`, `2031-05-06 through 2031-05-08` | whole days, the last one included |
//! | | `2031-05-06 (filter change)` | any of these, with a note |
//! | wait | `30 min`, `1.5 h`, `2 d` | whole minutes; a day is 24 h |
//!
//! A local time that the clocks skip in spring is refused; of one that comes twice in autumn the earlier is meant.
//! Every `write_..` is the inverse of its parser.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use prost_types::{Duration, Timestamp as ProtoTimestamp};

use fitup_proto::v1;

/// Splits `main (note)` in two; the note is empty if there is none.
fn split_note(text: &str) -> Result<(&str, String), String> {
    let Some((main, rest)) = text.split_once('(') else { return Ok((text.trim(), String::new())) };
    match rest.trim_end().strip_suffix(')') {
        Some(note) => Ok((main.trim(), note.to_owned())),
        None => Err(format!("the note of \"{text}\" does not end in `)`")),
    }
}

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
fn clock(text: &str) -> Option<Time> {
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
fn days(text: &str) -> Result<(Date, Date), String> {
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

fn with_note(text: String, note: &str) -> String {
    if note.is_empty() { text } else { format!("{text} ({note})") }
}

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

/// Parses `30 min`, `1.5 h` or `2 d` into minutes.
///
/// # Errors
///
/// If it is malformed or not whole minutes.
pub fn wait(text: &str) -> Result<i64, String> {
    let text = text.trim();
    let split = text.find(|letter: char| letter.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = (text[..split].trim(), &text[split..]);
    let wrong = || format!("\"{text}\" is no time such as \"30 min\", \"1.5 h\" or \"2 d\"");
    let minutes = match unit {
        "min" => 1.0,
        "h" => 60.0,
        "d" => 1440.0,
        _ => return Err(wrong()),
    };
    whole_minutes(number.parse::<f64>().map_err(|_| wrong())? * minutes)
        .map_err(|problem| format!("\"{text}\" {problem}"))
}

/// Returns minutes as a whole number.
///
/// # Errors
///
/// If they are not whole, to a millionth, or out of all reason.
pub fn whole_minutes(minutes: f64) -> Result<i64, String> {
    let whole = minutes.round();
    if !minutes.is_finite() || whole.abs() > 1e9 {
        return Err("is out of range".to_owned());
    }
    if (minutes - whole).abs() > 1e-6 {
        return Err(format!("is {minutes:.2} minutes; whole minutes are wanted, such as {whole} min"));
    }
    Ok(whole as i64)
}

/// Writes minutes as `30 min`, `3 h` or `1.5 h`.
pub fn write_wait(minutes: i64) -> String {
    if minutes >= 60 && minutes % 30 == 0 { format!("{} h", minutes as f64 / 60.0) } else { format!("{minutes} min") }
}

/// Writes minutes as a decimal number of hours if that is exact, as operations have it.
pub fn write_hours(minutes: i64) -> Option<String> {
    (minutes % 3 == 0).then(|| format!("{:?}", minutes as f64 / 60.0))
}

/// An entry of `after`: `prime`, `prime + 30 min`, `prime + 30 min .. 24 h`, `prime within 24 h`.
///
/// # Errors
///
/// If it is malformed.
pub fn link(text: &str) -> Result<v1::Link, String> {
    let link = |from: &str, min: Option<i64>, max: Option<i64>| {
        let from = from.trim();
        if from.is_empty() || from.contains(char::is_whitespace) {
            return Err(format!(
                "\"{text}\" is not like \"prime\", \"prime + 30 min .. 24 h\" or \"prime within 24 h\""
            ));
        }
        let (min_wait, max_wait) = (min.map(duration), max.map(duration));
        Ok(v1::Link { from: from.to_owned(), to: String::new(), min_wait, max_wait })
    };
    if let Some((from, max)) = text.split_once(" within ") {
        return link(from, None, Some(wait(max)?));
    }
    let Some((from, waits)) = text.split_once('+') else { return link(text, None, None) };
    match waits.split_once("..") {
        Some((min, max)) => link(from, Some(wait(min)?), Some(wait(max)?)),
        None => link(from, Some(wait(waits)?), None),
    }
}

/// Writes an entry of `after`.
pub fn write_link(link: &v1::Link) -> String {
    let from = &link.from;
    match (link.min_wait.as_ref().map(minutes), link.max_wait.as_ref().map(minutes)) {
        (None | Some(0), None) => from.clone(),
        (Some(min), None) => format!("{from} + {}", write_wait(min)),
        (None | Some(0), Some(max)) => format!("{from} within {}", write_wait(max)),
        (Some(min), Some(max)) => format!("{from} + {} .. {}", write_wait(min), write_wait(max)),
    }
}

/// Returns minutes as the form that is sent.
pub fn duration(minutes: i64) -> Duration {
    Duration { seconds: minutes * 60, nanos: 0 }
}

/// Returns the whole minutes of a duration.
pub fn minutes(duration: &Duration) -> i64 {
    duration.seconds.div_euclid(60)
}

/// Returns an instant in the form that is sent.
pub fn to_proto(instant: Timestamp) -> ProtoTimestamp {
    ProtoTimestamp { seconds: instant.as_second(), nanos: instant.subsec_nanosecond() }
}

/// Returns an instant as it was sent; nothing if it is not set or out of range.
pub fn from_proto(instant: Option<&ProtoTimestamp>) -> Option<Timestamp> {
    let instant = instant?;
    Timestamp::new(instant.seconds, instant.nanos).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chicago() -> TimeZone {
        TimeZone::get("America/Chicago").expect("is in the time zone database")
    }

    fn check_instant(text: &str, expected: &str) {
        assert_eq!(instant(text, &chicago()).map(|instant| instant.to_string()), Ok(expected.to_owned()), "{text}");
    }

    fn check_fault(result: Result<impl std::fmt::Debug, String>, expected: &str) {
        assert_eq!(result.map(|value| format!("{value:?}")), Err(expected.to_owned()));
    }

    #[test]
    fn reads_instants() {
        check_instant("2031-05-05 08:00", "2031-05-05T13:00:00Z");
        check_instant("2031-05-05T8:00:00", "2031-05-05T13:00:00Z");
        check_instant("2031-05-05 24:00", "2031-05-06T05:00:00Z");
        check_instant("2031-05-05T08:00-05:00", "2031-05-05T13:00:00Z");
        check_instant("2031-05-05T13:00Z", "2031-05-05T13:00:00Z");
    }

    /// The clocks of America/Chicago skip 02:00 to 03:00 on 2031-03-09 and repeat 01:00 to 02:00 on 2031-11-02: second
    /// Sunday of March and first of November, Energy Policy Act of 2005, section 110 (15 U.S.C. 260a).
    #[test]
    fn knows_daylight_saving() {
        check_fault(
            instant("2031-03-09 02:30", &chicago()),
            "2031-03-09 02:30 does not exist in America/Chicago: the clocks skip it",
        );
        check_instant("2031-11-02 01:30", "2031-11-02T06:30:00Z");
        let later: Timestamp = "2031-11-02T07:30:00Z".parse().expect("is an instant");
        let text = write_instant(later, &chicago());
        assert_eq!(text, "2031-11-02T01:30-06:00");
        assert_eq!(instant(&text, &chicago()), Ok(later));
    }

    #[test]
    fn refuses_bad_instants() {
        check_fault(instant("2031-05-05", &chicago()), "\"2031-05-05\" has no time of day; write \"2031-05-05 08:00\"");
        check_fault(instant("tomorrow", &chicago()), "\"tomorrow\" is no time such as \"2031-05-05 08:00\"");
        check_fault(
            instant("2031-02-30 08:00", &chicago()),
            "\"2031-02-30 08:00\" is no time such as \"2031-05-05 08:00\"",
        );
    }

    #[test]
    fn intervals_come_back_as_they_were() {
        for text in [
            "2031-05-06",
            "2031-05-06 through 2031-05-08 (training)",
            "2031-05-06 08:00 .. 12:00 (filter (main) change)",
            "2031-05-06 08:00 .. 2031-05-07 12:00",
            "2031-11-02T01:30-06:00 .. 2031-11-02 02:30",
        ] {
            let parsed = period(text, &chicago()).expect(text);
            let written = write_period(&parsed, &chicago());
            assert_eq!(period(&written, &chicago()), Ok(parsed), "{text} became {written}");
        }
        assert_eq!(
            write_period(&period("2031-05-06 08:00..2031-05-06 12:00", &chicago()).expect("parses"), &chicago()),
            "2031-05-06 08:00 .. 12:00"
        );
    }

    #[test]
    fn refuses_bad_intervals() {
        check_fault(
            period("2031-05-06 .. 2031-05-08", &chicago()),
            "write \"2031-05-06 through 2031-05-08\" for whole days, both included, or give both times of day",
        );
        check_fault(
            period("2031-05-06 12:00 .. 08:00", &chicago()),
            "\"2031-05-06 12:00 .. 08:00\" does not end after it starts",
        );
    }

    #[test]
    fn weeks_come_back_as_they_were() {
        for text in ["Mon-Fri 08:00-17:00 break 12:00-12:30, 15:00-15:10", "Mon,Wed-Thu,Sat 22:00-24:00"] {
            assert_eq!(shift(text, &TimeZone::UTC).map(|shift| write_shift(&shift)), Ok(text.to_owned()));
        }
        check_fault(
            shift("Mo-Fri 08:00-17:00", &TimeZone::UTC),
            "\"Mo\" is no day of the week; the days are Mon, Tue, Wed, Thu, Fri, Sat, Sun",
        );
        check_fault(shift("Mon 17:00-08:00", &TimeZone::UTC), "\"17:00-08:00\" does not end after it starts");
    }

    #[test]
    fn exceptions_come_back_as_they_were() {
        for text in [
            "2031-05-26 closed (Memorial Day)",
            "2031-05-30 08:00-12:00, 13:00-15:00",
            "2031-12-24 through 2031-12-31 closed",
        ] {
            let parsed = exception(text, &TimeZone::UTC).expect(text);
            assert_eq!(write_exception(&parsed), text);
        }
    }

    #[test]
    fn links_come_back_as_they_were() {
        for text in ["prime", "prime + 30 min", "prime + 1.5 h .. 24 h", "prime within 45 min"] {
            assert_eq!(link(text).map(|link| write_link(&link)), Ok(text.to_owned()));
        }
        check_fault(
            link("prime + half an hour"),
            "\"half an hour\" is no time such as \"30 min\", \"1.5 h\" or \"2 d\"",
        );
        check_fault(link("prime + 0.333 h"), "\"0.333 h\" is 19.98 minutes; whole minutes are wanted, such as 20 min");
    }
}
