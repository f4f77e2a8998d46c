//! From calendars that people write (weekdays, dates, times of day) to open time in minutes of a problem.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::calendar::Calendar;
use crate::shop::{DayWindow, Period, Shop, WeekCalendar};
use crate::time::{Span, Time, Window};

/// Where minute 0 of a problem lies on the clock, and how long the problem is.
#[derive(Debug, Clone)]
pub struct Frame {
    zone: TimeZone,
    first_day: Date,
    last_day: Date,
    origin: Timestamp,
    grid: Span,
}

impl Frame {
    /// Returns a frame of `days` days from the midnight before `now`, in the zone and on the grid of `shop`.
    ///
    /// # Errors
    /// A message if the calendar of the years 1 to 9999 ends first.
    pub fn new(shop: &Shop, now: Timestamp, days: u32) -> Result<Frame, jiff::Error> {
        let zone = shop.zone().clone();
        let first_day = zone.to_datetime(now).date();
        let last_day = first_day.checked_add(i64::from(days).days())?;
        let origin = instant(&zone, first_day.into())?;
        Ok(Frame { zone, first_day, last_day, origin, grid: Span::from_minutes(shop.settings.grid_minutes().into()) })
    }

    /// Returns the instant of minute 0: a local midnight.
    pub fn origin(&self) -> Timestamp {
        self.origin
    }

    /// Returns the minute in which `time` lies; negative before the origin.
    pub fn minute(&self, time: Timestamp) -> Time {
        Time::from_minutes((time.as_second() - self.origin.as_second()).div_euclid(60))
    }

    /// Returns the first minute that begins no earlier than `time`.
    pub fn minute_after(&self, time: Timestamp) -> Time {
        Time::from_minutes(-(self.origin.as_second() - time.as_second()).div_euclid(60))
    }

    /// Returns the instant at which `time` begins.
    pub fn instant(&self, time: Time) -> Timestamp {
        Timestamp::from_second(self.origin.as_second() + time.minutes() * 60).expect("a horizon ends before year 9999")
    }

    /// Returns the local midnights from the first day to the one after the last, in minutes.
    pub fn midnights(&self) -> Vec<Time> {
        self.days().chain([self.last_day]).filter_map(|day| self.local(day, 0)).collect()
    }

    /// Returns the end of the last day.
    pub fn horizon(&self) -> Time {
        self.local(self.last_day, 0).expect("checked by the constructor")
    }

    /// Returns the open time of `calendar`, holidays of `shop` closed. Windows are shortened to the grid.
    pub fn open(&self, shop: &Shop, calendar: &WeekCalendar) -> Calendar {
        let mut windows = Vec::new();
        for day in self.days().filter(|day| !shop.holidays.iter().any(|holiday| holiday.date == *day)) {
            for window in day_windows(calendar, day) {
                windows.extend(self.window(day, window));
            }
        }
        // Before shortening: shifts that meet off the grid are one.
        self.shortened(&Calendar::new(windows))
    }

    /// Returns the time of `periods`, lengthened to the grid: when something is not to be had.
    pub fn closed<'a>(&self, periods: impl IntoIterator<Item = &'a Period>) -> Calendar {
        Calendar::new(periods.into_iter().filter_map(|period| self.lengthened(period)).collect())
    }

    /// Returns the time of `periods`, shortened to the grid: when something is to be had.
    pub fn extra<'a>(&self, periods: impl IntoIterator<Item = &'a Period>) -> Calendar {
        let window = |period: &Period| Window::new(self.minute_after(period.start_time), self.minute(period.end_time));
        self.shortened(&Calendar::new(periods.into_iter().filter_map(window).collect()))
    }

    /// Returns `period` lengthened to the grid.
    pub fn lengthened(&self, period: &Period) -> Option<Window> {
        let start = self.floor(self.minute(period.start_time));
        Window::new(start, self.minute_after(period.end_time).ceil_to(self.grid))
    }

    fn shortened(&self, calendar: &Calendar) -> Calendar {
        let shorten = |window: &Window| Window::new(window.start().ceil_to(self.grid), self.floor(window.end()));
        Calendar::new(calendar.windows().iter().filter_map(shorten).collect())
    }

    fn floor(&self, time: Time) -> Time {
        Time::from_minutes(time.minutes().div_euclid(self.grid.minutes()) * self.grid.minutes())
    }

    fn days(&self) -> impl Iterator<Item = Date> + use<> {
        let last = self.last_day;
        self.first_day.series(1.day()).take_while(move |day| *day < last)
    }

    fn window(&self, day: Date, window: DayWindow) -> Option<Window> {
        Window::new(self.local(day, window.start_minute)?, self.local(day, window.end_minute)?)
    }

    fn local(&self, day: Date, minute: u16) -> Option<Time> {
        let day = if minute == 1440 { day.tomorrow().ok()? } else { day };
        let time = DateTime::from(day).checked_add(i64::from(minute % 1440).minutes()).ok()?;
        instant(&self.zone, time).ok().map(|instant| self.minute(instant))
    }
}

/// Returns the instant of a local time. In the hour that a clock change skips it is an hour later; in the hour that one
/// repeats it is the first of the two.
pub fn instant(zone: &TimeZone, local: DateTime) -> Result<Timestamp, jiff::Error> {
    zone.to_ambiguous_timestamp(local).compatible()
}

/// Returns the open windows of `calendar` on `day`, exceptions applied, holidays not.
pub fn day_windows(calendar: &WeekCalendar, day: Date) -> Vec<DayWindow> {
    if let Some(exception) = calendar.exceptions.iter().find(|e| e.start_date <= day && day < e.end_date) {
        return exception.open.clone();
    }
    let shifts = calendar.shifts.iter().filter(|shift| shift.days.contains(&day.weekday()));
    shifts.flat_map(|shift| without_breaks(shift.window, &shift.breaks)).collect()
}

/// Returns the parts of `window` outside `breaks`.
pub fn without_breaks(window: DayWindow, breaks: &[DayWindow]) -> Vec<DayWindow> {
    let mut breaks = breaks.to_vec();
    breaks.sort_unstable();
    let mut parts = Vec::new();
    let mut start_minute = window.start_minute;
    for pause in breaks {
        if start_minute < pause.start_minute {
            parts.push(DayWindow { start_minute, end_minute: pause.start_minute });
        }
        start_minute = start_minute.max(pause.end_minute);
    }
    if start_minute < window.end_minute {
        parts.push(DayWindow { start_minute, end_minute: window.end_minute });
    }
    parts
}
