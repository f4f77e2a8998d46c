//! How much of a running operation is left by the clock.

use jiff::Timestamp;

use crate::calendar::Calendar;
use crate::order::{OrderOperation, Progress};
use crate::shop::Shop;
use crate::time::Time;
use crate::week::Frame;

/// Work that has run for so many days without a word is taken to be over.
const LONGEST_DAYS: u32 = 60;

/// Returns the booked minutes that are left of an operation at `now`, 0 if it should be over by then.
///
/// Of running work passes what its people have worked since it was last told how much was left: work that may stop only
/// while all of them are at work, each booked minute at the pace of the slowest.
pub fn minutes_left(shop: &Shop, operation: &OrderOperation, now: Timestamp) -> u32 {
    match &operation.progress {
        Progress::Waiting => operation.work_minutes,
        Progress::Done { .. } => 0,
        Progress::Paused { remaining_minutes, .. } => *remaining_minutes,
        Progress::Running { remaining_minutes, remaining_time: None, .. } => *remaining_minutes,
        Progress::Running { remaining_minutes, remaining_time: Some(since), technicians, .. } => {
            let done = worked(shop, operation, technicians, *since, now);
            remaining_minutes.saturating_sub(u32::try_from(done).unwrap_or(u32::MAX))
        }
    }
}

/// Returns the booked minutes done between two instants.
fn worked(shop: &Shop, operation: &OrderOperation, technicians: &[String], since: Timestamp, now: Timestamp) -> i64 {
    let passed = now.duration_since(since).as_mins().max(0);
    if passed == 0 || operation.crew.is_empty() {
        return passed;
    }
    let people = || shop.technicians.iter().filter(|person| technicians.contains(&person.id));
    let pace = people().zip(&operation.crew).filter_map(|(person, skill)| {
        let own = person.skills.iter().find(|own| own.skill == *skill)?;
        Some(i64::from(own.efficiency_percent))
    });
    let pace = pace.min().unwrap_or(100);
    let minutes = if operation.interruptible { open_minutes(shop, technicians, since, now) } else { Some(passed) };
    minutes.map_or(i64::MAX, |minutes| minutes * pace / 100)
}

/// Returns the minutes in which all of them are at work, overtime included; `None` if that is too long to be counted.
fn open_minutes(shop: &Shop, technicians: &[String], since: Timestamp, now: Timestamp) -> Option<i64> {
    let days =
        u32::try_from(now.duration_since(since).as_hours() / 24 + 2).ok().filter(|days| *days <= LONGEST_DAYS)?;
    let frame = Frame::new(shop, since, days).ok()?;
    let span = Calendar::always(frame.minute(since), frame.minute(now).max(frame.minute(since)));
    let open = shop.technicians.iter().filter(|person| technicians.contains(&person.id)).fold(span, |open, person| {
        let Some(week) = shop.calendar(&person.calendar) else { return open };
        let regular = frame.open(shop, week).minus(&frame.closed(&person.absences));
        open.intersection(&regular.union(&frame.extra(&person.overtime)))
    });
    // Who clocks on outside of all hours works all the same.
    let start = frame.minute(since);
    let off_hours = open.windows().first().is_none_or(|window| window.start() > start);
    let minutes = open.windows().iter().map(|window| window.span().minutes()).sum::<i64>();
    let before = open.windows().first().map_or(frame.minute(now), |window| window.start());
    let same_day = (before - start).minutes() < 4 * 60;
    Some(minutes + if off_hours && same_day { before.max(Time::ORIGIN).minutes() - start.minutes() } else { 0 })
}
