//! What the records of the floor say of how work went: what chances are learned from.
//!
//! Only what was known at the moment asked about counts, and of it what happened in the [`DAYS`] before: how a shop worked
//! long ago says little of today.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use crate::calendar::Calendar;
use crate::floor::{FloorKind, FloorNote};
use crate::order::{OrderFacts, OrderOperation, OrderState, Progress};
use crate::shop::Shop;
use crate::time::Window;
use crate::week::Frame;

/// Records older than so many days say nothing.
pub const DAYS: u32 = 182;
/// A clocked share of what is booked outside of this was clocked by mistake. Common practice, no source.
const POSSIBLE: std::ops::RangeInclusive<f64> = 0.05..=10.0;

/// So many of so many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Count {
    /// In how many it happened; at most `of`.
    pub hits: u32,
    /// In how many it could have happened.
    pub of: u32,
}

impl Count {
    fn add(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u32::from(hit);
    }
}

/// What was recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// Of each attended operation that was clocked from its start to its end: time at work as a share of what was booked,
    /// at the pace of its people.
    pub work: Vec<f64>,
    /// Parts that had come, or should have, and of these those that came on a later day than they were first expected.
    pub late_parts: Count,
    /// Orders of which all attended work is done, and of these those whose booked work grew after it had begun.
    pub hidden_damage: Count,
    /// By which share of what was booked before these grew.
    pub hidden_work: Vec<f64>,
    /// Attended operations ended since the first check was recorded, and so many that were done again.
    pub failed_checks: Count,
    /// Days of people at work by calendar since the first absence was recorded, and so many of these on which they were out
    /// without having said so before the first of them.
    pub absences: Count,
}

impl Evidence {
    /// Tells whether there is nothing to learn from.
    pub fn is_empty(&self) -> bool {
        let counts = [self.late_parts, self.hidden_damage, self.failed_checks, self.absences];
        self.work.is_empty() && counts.iter().all(|count| count.of == 0)
    }
}

/// More work that was booked on an order later.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Growth {
    /// Id of the order.
    pub order: String,
    /// When.
    pub at: Timestamp,
    /// Id of an operation that came or grew.
    pub operation: String,
    /// By so many booked minutes of each person.
    pub minutes: u32,
}

/// What there is to learn from.
#[derive(Debug, Clone, Copy)]
pub struct Records<'a> {
    /// The shop.
    pub shop: &'a Shop,
    /// Its orders, complete ones too.
    pub orders: &'a [OrderFacts],
    /// What was recorded on the floor, in the order in which it was.
    pub notes: &'a [FloorNote],
    /// What was booked later.
    pub growths: &'a [Growth],
    /// The moment: nothing after it counts.
    pub now: Timestamp,
}

/// Returns what the records say.
///
/// # Errors
/// If the calendar of the years 1 to 9999 ends first.
pub fn evidence(records: &Records<'_>) -> Result<Evidence, jiff::Error> {
    let from = records.now.checked_sub(SignedDuration::from_hours(24 * i64::from(DAYS)))?;
    let mut notes: Vec<&FloorNote> =
        records.notes.iter().filter(|note| from <= note.event_time && note.event_time <= records.now).collect();
    notes.sort_by_key(|note| note.event_time);
    let Some(first) = notes.first() else { return Ok(Evidence::default()) };
    let days = records.now.duration_since(first.event_time).as_hours() / 24 + 2;
    let frame = Frame::new(records.shop, first.event_time, u32::try_from(days).unwrap_or(1))?;
    let orders = records.orders.iter().map(|order| (order.id.as_str(), order)).collect();
    let known = Known { records, orders, notes, frame };
    let (hidden_damage, hidden_work) = known.hidden_damage();
    Ok(Evidence {
        work: known.work(),
        late_parts: known.late_parts(),
        hidden_damage,
        hidden_work,
        failed_checks: known.failed_checks(),
        absences: known.absences(),
    })
}

/// Ids of an order and of something in it.
type InOrder<'a> = (&'a Option<String>, &'a Option<String>);

/// The records that count, by time.
struct Known<'a> {
    records: &'a Records<'a>,
    orders: BTreeMap<&'a str, &'a OrderFacts>,
    notes: Vec<&'a FloorNote>,
    frame: Frame,
}

impl<'a> Known<'a> {
    fn operation(&self, note: &FloorNote) -> Option<&'a OrderOperation> {
        let order = self.orders.get(note.order.as_deref()?)?;
        order.operation(note.operation.as_deref()?)
    }

    /// Returns the clocked shares of what was booked.
    fn work(&self) -> Vec<f64> {
        let mut clocks: BTreeMap<InOrder<'_>, Vec<&FloorNote>> = BTreeMap::new();
        for note in self.notes.iter().filter(|note| note.operation.is_some()) {
            clocks.entry((&note.order, &note.operation)).or_default().push(note);
        }
        let hours: BTreeMap<&str, Calendar> =
            self.records.shop.technicians.iter().map(|person| (person.id.as_str(), self.hours(&person.id))).collect();
        clocks.values().filter_map(|notes| self.share(notes, &hours)).collect()
    }

    /// Returns when somebody is at work, overtime too.
    fn hours(&self, technician: &str) -> Calendar {
        let shop = self.records.shop;
        let Some(person) = shop.technicians.iter().find(|person| person.id == technician) else {
            return Calendar::default();
        };
        let week = shop.calendar(&person.calendar).map(|week| self.frame.open(shop, week)).unwrap_or_default();
        week.minus(&self.frame.closed(&person.absences)).union(&self.frame.extra(&person.overtime))
    }

    /// Returns the clocked share of one operation up to its first end, if all of it was clocked.
    fn share(&self, notes: &[&FloorNote], hours: &BTreeMap<&str, Calendar>) -> Option<f64> {
        let operation = self.operation(notes.first()?).filter(|operation| !operation.crew.is_empty())?;
        let begun = notes.iter().find(|note| note.kind == FloorKind::On)?.event_time;
        let mut on: BTreeMap<&str, Timestamp> = BTreeMap::new();
        let mut spent = 0.0;
        for note in notes {
            let at = note.event_time;
            let leaving: Vec<&str> = match note.kind {
                FloorKind::On => {
                    for person in &note.technicians {
                        on.entry(person).or_insert(at);
                    }
                    continue;
                }
                FloorKind::Swap if !on.is_empty() => {
                    let crew = &note.technicians;
                    let gone = on.keys().copied().filter(|&person| !crew.iter().any(|own| own == person)).collect();
                    for person in crew {
                        on.entry(person).or_insert(at);
                    }
                    gone
                }
                FloorKind::Off => note.technicians.iter().map(String::as_str).collect(),
                FloorKind::Pause | FloorKind::Finish | FloorKind::Pass | FloorKind::Fail => {
                    on.keys().copied().collect()
                }
                _ => continue,
            };
            for person in leaving {
                if let Some(since) = on.remove(person) {
                    spent += self.worked(operation, person, (since, at), hours.get(person)?);
                }
            }
            if matches!(note.kind, FloorKind::Finish | FloorKind::Pass | FloorKind::Fail) {
                let booked = f64::from(note.booked_minutes?) * operation.crew.len() as f64;
                let share = (booked > 0.0).then(|| spent / booked)?;
                return (note.start_time == Some(begun) && POSSIBLE.contains(&share)).then_some(share);
            }
        }
        None
    }

    /// Returns the booked minutes that somebody did in a stretch: those at work, at his or her pace.
    fn worked(
        &self,
        operation: &OrderOperation,
        person: &str,
        (since, until): (Timestamp, Timestamp),
        hours: &Calendar,
    ) -> f64 {
        let Some(stretch) = Window::new(self.frame.minute(since), self.frame.minute(until)) else { return 0.0 };
        let inside = |open: &Calendar| -> i64 {
            open.intersection(&Calendar::new(vec![stretch]))
                .windows()
                .iter()
                .map(|window| window.span().minutes())
                .sum()
        };
        // Work that does not stop goes on without regard to the clock; so did what lies outside of all hours.
        let minutes = match inside(hours) {
            at_work if operation.interruptible && at_work > 0 => at_work,
            _ => stretch.span().minutes(),
        };
        let skills = self.records.shop.technicians.iter().find(|own| own.id == person).map(|own| &own.skills);
        let pace = skills.and_then(|skills| skills.iter().find(|own| operation.crew.contains(&own.skill)));
        minutes as f64 * f64::from(pace.map_or(100, |own| own.efficiency_percent)) / 100.0
    }

    fn late_parts(&self) -> Count {
        let mut parts: BTreeMap<InOrder<'_>, (Timestamp, Option<Timestamp>)> = BTreeMap::new();
        for note in &self.notes {
            let received = match note.kind {
                FloorKind::PartReceived => Some(note.event_time),
                FloorKind::PartOrdered
                | FloorKind::PartExpected
                | FloorKind::PartWrong
                | FloorKind::PartDamaged
                | FloorKind::PartReturned => None,
                _ => continue,
            };
            let key = (&note.order, &note.subject);
            match (parts.get_mut(&key), note.end_time) {
                (Some(part), _) => part.1 = received,
                (None, Some(expected)) => {
                    parts.insert(key, (expected, received));
                }
                (None, None) => {}
            }
        }
        let date = |time: Timestamp| self.records.shop.zone().to_datetime(time).date();
        let mut count = Count::default();
        for ((order, part), (expected, received)) in parts {
            let own = order.as_deref().and_then(|order| self.orders.get(order));
            let waited_for = own.is_some_and(|own| {
                let waits = own.parts.iter().any(|need| Some(&need.id) == part.as_ref() && !need.met);
                waits && own.state() == OrderState::Open
            });
            match received {
                Some(received) => count.add(date(received) > date(expected)),
                None if waited_for && date(self.records.now) > date(expected) => count.add(true),
                None => {}
            }
        }
        count
    }

    fn hidden_damage(&self) -> (Count, Vec<f64>) {
        let (mut count, mut shares) = (Count::default(), Vec::new());
        let now = self.records.now;
        // What nobody attends ends by itself, and may never be said to have.
        let is_done = |one: &OrderOperation| match one.progress {
            Progress::Done { end_time, .. } => end_time <= now,
            _ => one.crew.is_empty(),
        };
        let mut by_order: BTreeMap<&String, Vec<&FloorNote>> = BTreeMap::new();
        for note in &self.notes {
            if let Some(order) = &note.order {
                by_order.entry(order).or_default().push(note);
            }
        }
        let is_complete = |order: &&OrderFacts| !order.cancelled && order.operations.iter().all(is_done);
        for order in self.records.orders.iter().filter(is_complete) {
            let Some(own) = by_order.get(&order.id) else { continue };
            let own = || own.iter();
            let Some(begun) = own().find(|note| note.kind == FloorKind::On) else { continue };
            // What a failed check had done again is no damage.
            let again = |id: &String| own().any(|note| note.added.contains(id));
            let attended = |id: &str| order.operation(id).is_some_and(|operation| !operation.crew.is_empty());
            let grown: u32 = (self.records.growths.iter())
                .filter(|growth| growth.order == order.id && begun.event_time < growth.at)
                .filter(|growth| {
                    growth.at <= self.records.now && attended(&growth.operation) && !again(&growth.operation)
                })
                .map(|growth| growth.minutes)
                .sum();
            let work = order.operations.iter().filter(|one| !one.crew.is_empty() && !again(&one.id));
            let booked: u32 = work.map(|operation| operation.work_minutes).sum();
            count.add(grown > 0);
            let before = booked.saturating_sub(grown);
            if grown > 0 && before > 0 {
                shares.push(f64::from(grown) / f64::from(before));
            }
        }
        (count, shares)
    }

    fn failed_checks(&self) -> Count {
        let is_check = |note: &&&FloorNote| matches!(note.kind, FloorKind::Pass | FloorKind::Fail | FloorKind::Reopen);
        let mut count = Count::default();
        let Some(first) = self.notes.iter().find(is_check) else { return count };
        for note in self.notes.iter().filter(|note| first.event_time <= note.event_time) {
            let attended = self.operation(note).is_some_and(|operation| !operation.crew.is_empty());
            match note.kind {
                FloorKind::Finish | FloorKind::Pass if attended => count.of += 1,
                FloorKind::Fail if attended => {
                    count.of += 1;
                    // The last one added is the check itself, once more; one without rework is mended somehow.
                    count.hits += u32::try_from(note.added.len()).unwrap_or(0).saturating_sub(1).max(1);
                }
                FloorKind::Reopen => count.hits += 1,
                _ => {}
            }
        }
        Count { hits: count.hits.min(count.of), ..count }
    }

    fn absences(&self) -> Count {
        let date = |time: Timestamp| self.records.shop.zone().to_datetime(time).date();
        let outs = || self.notes.iter().filter(|note| note.kind == FloorKind::Out);
        let mut count = Count::default();
        let Some(first) = outs().next() else { return count };
        let first = self.frame.minute(first.event_time);
        let mut midnights = self.frame.midnights();
        let now = self.frame.minute(self.records.now);
        // Days that are over, from that of the first absence on.
        midnights.retain(|midnight| *midnight <= now);
        for person in &self.records.shop.technicians {
            let Some(week) = self.records.shop.calendar(&person.calendar) else { continue };
            let open = self.frame.open(self.records.shop, week);
            let away: Vec<Window> = outs()
                .filter(|note| note.subject.as_ref() == Some(&person.id))
                .filter(|note| note.start_time.is_some_and(|start| date(start) <= date(note.event_time)))
                .filter_map(|note| {
                    let (start, end) = (note.start_time?, note.end_time?);
                    let back = self.notes.iter().find(|back| {
                        back.kind == FloorKind::Back
                            && back.subject == note.subject
                            && start <= back.event_time
                            && back.event_time < end
                            && note.event_time <= back.event_time
                    });
                    let end = back.map_or(end, |back| back.event_time);
                    Window::new(self.frame.minute(start), self.frame.minute(end))
                })
                .collect();
            let away = Calendar::new(away);
            for day in midnights.windows(2).filter(|day| first < day[1]) {
                let Some(day) = Window::new(day[0], day[1]) else { continue };
                let day = open.intersection(&Calendar::new(vec![day]));
                let minutes = |calendar: &Calendar| -> i64 {
                    calendar.windows().iter().map(|window| window.span().minutes()).sum()
                };
                let scheduled = minutes(&day);
                if scheduled > 0 {
                    // Half of it or more.
                    count.add(2 * minutes(&day.intersection(&away)) >= scheduled);
                }
            }
        }
        count
    }
}
