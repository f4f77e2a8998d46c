//! How long people are ever at work together without a break.

use jiff::civil::Weekday;

use crate::calendar::Calendar;
use crate::shop::{DayWindow, Shop, ShopTechnician};
use crate::time::{Time, Window};
use crate::week::without_breaks;

const DAY: i64 = 1440;

/// Returns the longest stretch, in minutes, in which all `technicians` (indices into the shop's) are at work: in the
/// week, on the days of an exception, or in overtime; absences and holidays are not counted.
///
/// It is never too short, so that an operation longer than this can be done by nobody at any time. Clock changes, which
/// shift a stretch over midnight by an hour, count in its favour.
pub fn longest_window(shop: &Shop, technicians: &[usize]) -> u32 {
    let people = technicians.iter().map(|&index| &shop.technicians[index]);
    // Exceptions and overtime come on single dates: then each person may well have their longest.
    let special = people.clone().map(|person| longest_special(shop, person)).min().unwrap_or(0);
    let mut together = Calendar::always(Time::ORIGIN, Time::from_minutes(8 * DAY));
    for person in people {
        together = together.intersection(&week(shop, person));
    }
    let regular = longest(&together);
    if special > 0 { regular.max(special) } else { regular }
}

fn longest(calendar: &Calendar) -> u32 {
    calendar.windows().iter().map(|window| window.span().minutes() as u32).max().unwrap_or(0)
}

/// Returns the regular week of `person`, and the Monday after it, so that Sunday night is whole.
fn week(shop: &Shop, person: &ShopTechnician) -> Calendar {
    let Some(calendar) = shop.calendar(&person.calendar) else { return Calendar::default() };
    let mut windows = Vec::new();
    for day in 0..8 {
        let weekday = Weekday::Monday.wrapping_add(day);
        let shifts = calendar.shifts.iter().filter(|shift| shift.days.contains(&weekday));
        for window in shifts.flat_map(|shift| without_breaks(shift.window, &shift.breaks)) {
            windows.extend(on_day(day, window));
        }
    }
    Calendar::new(windows)
}

fn on_day(day: i64, window: DayWindow) -> Option<Window> {
    let minute = |minute: u16| Time::from_minutes(day * DAY + i64::from(minute));
    Window::new(minute(window.start_minute), minute(window.end_minute))
}

/// Returns the longest stretch that exceptions and overtime may give `person`, joined with the longest regular one.
fn longest_special(shop: &Shop, person: &ShopTechnician) -> u32 {
    let exceptions = shop.calendar(&person.calendar).into_iter().flat_map(|calendar| &calendar.exceptions);
    let open =
        exceptions.flat_map(|e| &e.open).map(|w| u32::from(w.end_minute - w.start_minute.min(w.end_minute))).max();
    let overtime = person.overtime.iter().map(|period| {
        let minutes = period.end_time.duration_since(period.start_time).as_mins();
        u32::try_from(minutes).unwrap_or(0)
    });
    match (open, overtime.max()) {
        (None, None) => 0,
        // Overtime before and after.
        (open, overtime) => longest(&week(shop, person)).max(open.unwrap_or(0)) + 2 * overtime.unwrap_or(0).min(10_080),
    }
}
