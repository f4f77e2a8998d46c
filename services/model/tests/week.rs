//! Calendars in the shop's zone, daylight-saving changes included.
//!
//! The rules are those of the IANA time zone database (RFC 6557): in America/Chicago clocks go forward at 02:00 on
//! 2031-03-09 and back at 02:00 on 2031-11-02.

mod support;

use fitup_model::shop::{CalendarException, Holiday, Period, Shift, ShopFacts};
use fitup_model::week::Frame;
use fitup_model::{Calendar, Shop};
use jiff::civil::{Weekday, date};
use support::{shop, time, window};

/// Returns the open windows, in minutes from the midnight before `now`, of the first calendar over `days` days.
fn open(change: impl FnOnce(&mut ShopFacts), now: &str, days: u32) -> Vec<(i64, i64)> {
    let mut facts = shop();
    change(&mut facts);
    let shop = Shop::new(facts).expect("good facts");
    let frame = Frame::new(&shop, time(now), days).expect("in range");
    minutes(&frame.open(&shop, &shop.calendars[0]))
}

fn minutes(calendar: &Calendar) -> Vec<(i64, i64)> {
    calendar.windows().iter().map(|w| (w.start().minutes(), w.end().minutes())).collect()
}

fn sunday_night(facts: &mut ShopFacts) {
    facts.calendars[0].shifts = vec![Shift { days: vec![Weekday::Sunday], window: window(0, 8), breaks: vec![] }];
}

#[test]
fn a_plain_monday_has_a_break() {
    assert_eq!(open(|_| (), "2031-05-05T07:30:00-05:00", 1), [(480, 720), (780, 1020)]);
}

#[test]
fn a_night_shift_over_the_spring_change_lasts_seven_hours() {
    assert_eq!(open(sunday_night, "2031-03-09T12:00:00-05:00", 1), [(0, 7 * 60)]);
}

#[test]
fn a_night_shift_over_the_autumn_change_lasts_nine_hours() {
    assert_eq!(open(sunday_night, "2031-11-02T12:00:00-06:00", 1), [(0, 9 * 60)]);
}

#[test]
fn opening_time_is_on_the_wall_clock_after_a_change() {
    // From Sunday midnight before the change, Monday 08:00 is an hour nearer in spring and an hour further in autumn.
    assert_eq!(open(|_| (), "2031-03-09T00:30:00-06:00", 2)[0].0, 31 * 60);
    assert_eq!(open(|_| (), "2031-11-02T00:30:00-05:00", 2)[0].0, 33 * 60);
}

#[test]
fn a_time_that_does_not_exist_is_an_hour_later() {
    let change = |facts: &mut ShopFacts| {
        facts.calendars[0].shifts = vec![Shift {
            days: vec![Weekday::Sunday],
            window: fitup_model::shop::DayWindow { start_minute: 150, end_minute: 480 },
            breaks: vec![],
        }];
    };
    // 02:30 does not exist; the shift starts at 03:30, which is 150 minutes after midnight.
    assert_eq!(open(change, "2031-03-09T12:00:00-05:00", 1), [(150, 420)]);
}

#[test]
fn shifts_until_midnight_join_the_next_day() {
    let change = |facts: &mut ShopFacts| {
        let shift = |day, from, to| Shift { days: vec![day], window: window(from, to), breaks: vec![] };
        facts.calendars[0].shifts = vec![shift(Weekday::Monday, 22, 24), shift(Weekday::Tuesday, 0, 6)];
    };
    assert_eq!(open(change, "2031-05-05T07:30:00-05:00", 2), [(22 * 60, 30 * 60)]);
}

#[test]
fn exceptions_and_holidays_replace_the_week() {
    let change = |facts: &mut ShopFacts| {
        facts.holidays = vec![Holiday { date: date(2031, 5, 6), display_name: "Founders' day".into() }];
        facts.calendars[0].exceptions = vec![
            CalendarException {
                start_date: date(2031, 5, 5),
                end_date: date(2031, 5, 6),
                open: vec![window(9, 10)],
                note: String::new(),
            },
            CalendarException {
                start_date: date(2031, 5, 7),
                end_date: date(2031, 5, 9),
                open: vec![],
                note: String::new(),
            },
        ];
    };
    // Monday short, Tuesday a holiday, Wednesday and Thursday closed, Friday as ever.
    let friday = 4 * 1440;
    let expected = [(540, 600), (friday + 480, friday + 720), (friday + 780, friday + 1020)];
    assert_eq!(open(change, "2031-05-05T07:30:00-05:00", 5), expected);
}

#[test]
fn closures_are_lengthened_and_extra_time_is_shortened_to_the_grid() {
    let shop = Shop::new(shop()).unwrap();
    let frame = Frame::new(&shop, time("2031-05-05T07:30:00-05:00"), 1).unwrap();
    let period = Period {
        start_time: time("2031-05-05T08:02:30-05:00"),
        end_time: time("2031-05-05T08:58:00-05:00"),
        note: String::new(),
    };
    assert_eq!(minutes(&frame.closed([&period])), [(480, 540)]);
    assert_eq!(minutes(&frame.extra([&period])), [(485, 535)]);
}
