//! Working days as columns: each runs from the first opening to the last closing of its day, and time outside is left
//! out.

use fitup_proto::v1;
use jiff::ToSpan;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::{Scene, minute};

/// A working day as a column; times in minutes since 1970.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Day {
    /// Its date.
    pub date: Date,
    /// Opening.
    pub start: i64,
    /// Closing.
    pub end: i64,
    /// Days without work were left out just before it.
    pub after_gap: bool,
}

/// How many days are looked at to find working ones: a year, more than any plan looks ahead.
const DAYS_LOOKED_AT: i32 = 366;

impl Day {
    /// Returns the times that the cell `index` of `cells` covers.
    pub fn cell(&self, index: usize, cells: usize) -> (i64, i64) {
        let length = self.end - self.start;
        let edge = |index: usize| self.start + length * index as i64 / cells as i64;
        (edge(index), edge(index + 1))
    }
}

/// Returns up to `count` working days from `first` on, none after the last thing in the plan.
pub fn days(scene: &Scene<'_>, first: Date, count: usize) -> Vec<Day> {
    let works = scene.works();
    let last = works.iter().map(|work| scene.date(work.end - 1)).max().unwrap_or(first);
    let mut days: Vec<Day> = Vec::new();
    let mut after_gap = false;
    for step in 0..DAYS_LOOKED_AT {
        let Ok(date) = first.checked_add(step.days()) else { break };
        if days.len() == count || date > last {
            break;
        }
        match working_hours(scene, date, &works) {
            Some((start, end)) => {
                let is_first = days.is_empty();
                days.push(Day { date, start, end, after_gap: after_gap && !is_first });
                after_gap = false;
            }
            None => after_gap = true,
        }
    }
    days
}

/// Returns from when to when somebody is at work on a date: by the calendars, in overtime, or by the plan.
fn working_hours(scene: &Scene<'_>, date: Date, works: &[super::Work<'_>]) -> Option<(i64, i64)> {
    let midnight = local_minute(date, 0, scene.zone);
    let next = local_minute(date.tomorrow().ok()?, 0, scene.zone);
    let mut times: Vec<(i64, i64)> = Vec::new();
    for technician in &scene.shop.technicians {
        if let Some(calendar) = scene.shop.calendars.iter().find(|calendar| calendar.id == technician.calendar) {
            times.extend(open(scene.shop, calendar, date, scene.zone));
        }
    }
    for work in works.iter().filter(|work| !work.operation.technicians.is_empty()) {
        // An operation that goes on over nights starts and ends in working time, and says nothing of the nights.
        let day = |minute: i64| midnight <= minute && minute < next;
        match (day(work.start), day(work.end - 1)) {
            (true, true) => times.push((work.start, work.end)),
            (true, false) => times.push((work.start, work.start + 1)),
            (false, true) => times.push((work.end - 1, work.end)),
            (false, false) => {}
        }
    }
    let start = times.iter().map(|time| time.0).min()?;
    let end = times.iter().map(|time| time.1).max()?;
    Some((start.max(midnight), end.min(next)))
}

/// Returns when a calendar is open on a date, breaks included.
pub fn open(shop: &v1::Shop, calendar: &v1::Calendar, date: Date, zone: &TimeZone) -> Vec<(i64, i64)> {
    let text = date.to_string();
    if shop.holidays.iter().any(|holiday| holiday.date == text) {
        return Vec::new();
    }
    let covers = |exception: &&v1::CalendarException| exception.start_date <= text && text < exception.end_date;
    let windows: Vec<&v1::DayWindow> = match calendar.exceptions.iter().find(covers) {
        Some(exception) => exception.open.iter().collect(),
        None => {
            let day = i32::from(date.weekday().to_monday_one_offset());
            let shifts = calendar.shifts.iter().filter(|shift| shift.days.contains(&day));
            shifts.filter_map(|shift| shift.window.as_ref()).collect()
        }
    };
    let times = windows.iter().filter_map(|window| {
        let start = local_minute(date, minute_of_day(&window.start_time_of_day)?, zone);
        let end = local_minute(date, minute_of_day(&window.end_time_of_day)?, zone);
        Some((start, end))
    });
    times.collect()
}

/// Returns when a technician is at work on a date: by the calendar less absences, and in overtime.
pub fn at_work(shop: &v1::Shop, technician: &v1::Technician, date: Date, zone: &TimeZone) -> Vec<(i64, i64)> {
    let calendar = shop.calendars.iter().find(|calendar| calendar.id == technician.calendar);
    let mut times = calendar.map(|calendar| open(shop, calendar, date, zone)).unwrap_or_default();
    for absence in &technician.absences {
        let (start, end) = (minute(absence.start_time.as_ref()), minute(absence.end_time.as_ref()));
        let cut = |time: (i64, i64)| [(time.0, time.1.min(start)), (time.0.max(end), time.1)];
        times = times.into_iter().flat_map(cut).filter(|(start, end)| start < end).collect();
    }
    times
}

fn minute_of_day(text: &str) -> Option<i64> {
    let (hour, minute) = text.split_once(':')?;
    Some(hour.parse::<i64>().ok()? * 60 + minute.parse::<i64>().ok()?)
}

/// Returns a local time in minutes since 1970; one that the clocks skip counts as the time after.
pub fn local_minute(date: Date, minute_of_day: i64, zone: &TimeZone) -> i64 {
    let (date, minute_of_day) = if minute_of_day >= 1440 {
        (date.tomorrow().unwrap_or(date), minute_of_day - 1440)
    } else {
        (date, minute_of_day)
    };
    let (hour, minute) = ((minute_of_day / 60) as i8, (minute_of_day % 60) as i8);
    let instant = zone.to_ambiguous_timestamp(date.at(hour, minute, 0, 0)).compatible();
    instant.map_or(0, |instant| instant.as_second().div_euclid(60))
}
