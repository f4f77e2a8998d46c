//! What is read is written as it was, and what is wrong is told.

use jiff::Timestamp;
use jiff::tz::TimeZone;

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
    check_fault(link("prime + half an hour"), "\"half an hour\" is no time such as \"30 min\", \"1.5 h\" or \"2 d\"");
    check_fault(link("prime + 0.333 h"), "\"0.333 h\" is 19.98 minutes; whole minutes are wanted, such as 20 min");
}
