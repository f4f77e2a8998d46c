//! People out, bays down, equipment short, overtime opened; and all of it over again earlier than was said.

use jiff::Timestamp;

use super::{Floor, FloorKind, FloorNote, Refused, ResourceEvent, checked_shop};
use crate::shop::{EquipmentOutage, Period, ShopFacts};

/// Applies what happens to people, bays or equipment, and returns the shop after it.
///
/// # Errors
/// What was said wrongly, or everything in the facts that forbids it.
pub fn apply_resource(floor: &Floor<'_>, event: &ResourceEvent) -> Result<(ShopFacts, FloorNote), Refused> {
    let mut shop = ShopFacts::clone(floor.shop);
    let mut note = FloorNote::new(kind(event), floor.at);
    if let Some((start_time, end_time, reason)) = range(event) {
        check_range(floor, start_time, end_time)?;
        (note.start_time, note.end_time) = (Some(start_time), Some(end_time));
        reason.clone_into(&mut note.reason);
    }
    let period =
        range(event).map(|(start_time, end_time, reason)| Period { start_time, end_time, note: reason.to_owned() });
    match event {
        ResourceEvent::Out { technician, .. } => {
            note.subject = Some(technician.clone());
            let person = named(&mut shop.technicians, "technician", technician, |person| &person.id)?;
            merge(&mut person.absences, period);
        }
        ResourceEvent::Back { technician } => {
            note.subject = Some(technician.clone());
            let person = named(&mut shop.technicians, "technician", technician, |person| &person.id)?;
            cut(&mut person.absences, floor.at, || format!("{technician} is not out at {}", floor.say(floor.at)))?;
        }
        ResourceEvent::Down { bay, .. } => {
            note.subject = Some(bay.clone());
            merge(&mut named(&mut shop.bays, "bay", bay, |bay| &bay.id)?.downtime, period);
        }
        ResourceEvent::Up { bay } => {
            note.subject = Some(bay.clone());
            let found = named(&mut shop.bays, "bay", bay, |bay| &bay.id)?;
            cut(&mut found.downtime, floor.at, || format!("{bay} is not down at {}", floor.say(floor.at)))?;
        }
        ResourceEvent::Short { equipment, count, .. } => {
            (note.subject, note.count) = (Some(equipment.clone()), Some(*count));
            let pool = named(&mut shop.equipment, "equipment", equipment, |pool| &pool.id)?;
            if *count == 0 || *count > pool.count {
                return Err(Refused::fault("count", format!("{count} of {} {equipment:?}", pool.count)));
            }
            pool.outages.extend(period.map(|period| EquipmentOutage { period, count: *count }));
        }
        ResourceEvent::Whole { equipment } => {
            note.subject = Some(equipment.clone());
            let pool = named(&mut shop.equipment, "equipment", equipment, |pool| &pool.id)?;
            let mut periods: Vec<Period> = pool.outages.iter().map(|outage| outage.period.clone()).collect();
            cut(&mut periods, floor.at, || format!("{equipment} is not short at {}", floor.say(floor.at)))?;
            let counts = pool.outages.iter().filter(|outage| outage.period.start_time != floor.at);
            let counts: Vec<u32> = counts.map(|outage| outage.count).collect();
            pool.outages =
                periods.into_iter().zip(counts).map(|(period, count)| EquipmentOutage { period, count }).collect();
        }
        ResourceEvent::Overtime { technician, .. } => {
            note.subject = Some(technician.clone());
            let person = named(&mut shop.technicians, "technician", technician, |person| &person.id)?;
            merge(&mut person.overtime, period);
        }
    }
    Ok((checked_shop(shop)?, note))
}

fn kind(event: &ResourceEvent) -> FloorKind {
    match event {
        ResourceEvent::Out { .. } => FloorKind::Out,
        ResourceEvent::Back { .. } => FloorKind::Back,
        ResourceEvent::Down { .. } => FloorKind::Down,
        ResourceEvent::Up { .. } => FloorKind::Up,
        ResourceEvent::Short { .. } => FloorKind::Short,
        ResourceEvent::Whole { .. } => FloorKind::Whole,
        ResourceEvent::Overtime { .. } => FloorKind::Overtime,
    }
}

fn range(event: &ResourceEvent) -> Option<(Timestamp, Timestamp, &str)> {
    match event {
        ResourceEvent::Out { start_time, end_time, reason, .. }
        | ResourceEvent::Down { start_time, end_time, reason, .. }
        | ResourceEvent::Short { start_time, end_time, reason, .. }
        | ResourceEvent::Overtime { start_time, end_time, reason, .. } => Some((*start_time, *end_time, reason)),
        ResourceEvent::Back { .. } | ResourceEvent::Up { .. } | ResourceEvent::Whole { .. } => None,
    }
}

fn check_range(floor: &Floor<'_>, start: Timestamp, end: Timestamp) -> Result<(), Refused> {
    if end <= start {
        let message = format!("{} is not after the start, {}", floor.say(end), floor.say(start));
        return Err(Refused::fault("end_time", message));
    }
    Ok(())
}

fn named<'t, T>(
    things: &'t mut [T],
    kind: &str,
    id: &str,
    id_of: impl Fn(&T) -> &String,
) -> Result<&'t mut T, Refused> {
    let known: Vec<String> = things.iter().map(|thing| id_of(thing).clone()).collect();
    let message = || format!("no {kind} {id:?}; there are: {}", known.join(", "));
    let found = things.iter_mut().find(|thing| id_of(thing) == id);
    found.ok_or_else(|| Refused::fault(kind, message()))
}

/// Adds a period; those that it overlaps become one with it, under its own reason.
fn merge(periods: &mut Vec<Period>, new: Option<Period>) {
    let Some(mut new) = new else { return };
    periods.retain(|old| {
        let apart = old.end_time < new.start_time || new.end_time < old.start_time;
        if !apart {
            new.start_time = new.start_time.min(old.start_time);
            new.end_time = new.end_time.max(old.end_time);
        }
        apart
    });
    periods.push(new);
    periods.sort_by_key(|period| period.start_time);
}

/// Ends the periods that `at` lies in.
fn cut(periods: &mut Vec<Period>, at: Timestamp, refusal: impl Fn() -> String) -> Result<(), Refused> {
    let mut found = false;
    for period in periods.iter_mut().filter(|period| period.start_time <= at && at < period.end_time) {
        (period.end_time, found) = (at, true);
    }
    periods.retain(|period| period.start_time < period.end_time);
    if found { Ok(()) } else { Err(Refused::forbidden(refusal())) }
}
