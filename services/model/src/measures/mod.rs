//! How the work has gone: measures of a stretch of time, from the orders as they are and the plans as they were.
//!
//! The trade uses some of these words with swapped meanings; what each means here stands at its field. Time of people is
//! time at work: nights and breaks inside an operation that stops for them do not count. Cars are in the shop on every
//! day of the week, from arrival to the end of their last operation: when the keys are handed over is not recorded.

mod flow;
mod stability;
#[cfg(test)]
mod tests;

use jiff::Timestamp;

pub use flow::{Flow, Stay, flow, touch_hours};
pub use stability::stability;

use crate::calendar::Calendar;
use crate::order::{OrderFacts, OrderOperation, OrderState, Progress};
use crate::shop::{Shop, ShopTechnician};
use crate::time::{Time, Window};
use crate::week::Frame;

/// Measures of a person or a bay. Minutes.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Own {
    /// Id.
    pub id: String,
    /// Booked work of the operations that ended in the stretch; 0 for bays.
    pub sold: i64,
    /// Time at work on these, whenever it was; for bays, time in the stretch in which somebody was at work in it.
    pub clocked: i64,
    /// Time at work in the stretch, by calendar and absences; for bays, time in which somebody was and the bay was up.
    pub open: i64,
    /// Time on operations in the stretch; for bays, part of `open` in which it was taken.
    pub busy: i64,
}

impl Own {
    /// Returns `sold / clocked`.
    pub fn efficiency(&self) -> Option<f64> {
        ratio(self.sold, self.clocked)
    }

    /// Returns `busy / open`.
    pub fn utilisation(&self) -> Option<f64> {
        ratio(self.busy, self.open)
    }
}

/// Measures of a stretch of time. What would divide by zero is none.
#[derive(Debug, Clone, PartialEq)]
pub struct Measures {
    /// Arrivals, completions, cycle time, work in process.
    pub flow: Flow,
    /// Booked hours a day in the shop of the orders completed.
    pub touch_hours: Option<f64>,
    /// Share of the orders with a promise that were completed no later.
    pub on_time: Option<f64>,
    /// By person.
    pub technicians: Vec<Own>,
    /// By bay.
    pub bays: Vec<Own>,
}

impl Measures {
    /// Returns the sum over all people.
    pub fn people(&self) -> Own {
        self.technicians.iter().fold(Own::default(), |sum, own| Own {
            id: String::new(),
            sold: sum.sold + own.sold,
            clocked: sum.clocked + own.clocked,
            open: sum.open + own.open,
            busy: sum.busy + own.busy,
        })
    }
}

/// Returns `part / whole`, none if `whole` is nothing.
fn ratio(part: i64, whole: i64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

/// Work that has begun.
struct Done<'a> {
    operation: &'a OrderOperation,
    technicians: &'a [String],
    start: Time,
    /// Until then, until it stopped for now, or until now. Pauses before that are not seen.
    end: Time,
    has_ended: bool,
}

/// Returns the measures of `[from, until)`; `until` is no later than now. `days` are those that `from` and all work of
/// the orders lie in.
///
/// # Errors
/// If the calendar ends before the stretch does.
pub fn measures(
    shop: &Shop,
    orders: &[OrderFacts],
    from: Timestamp,
    until: Timestamp,
) -> Result<Measures, jiff::Error> {
    let begun = orders.iter().flat_map(|order| &order.operations).filter_map(|operation| match &operation.progress {
        Progress::Waiting => None,
        Progress::Running { start_time, .. }
        | Progress::Paused { start_time, .. }
        | Progress::Done { start_time, .. } => Some(*start_time),
    });
    // Work may have begun long before the stretch in which it ends; years before is a slip of the pen.
    let long = jiff::SignedDuration::from_hours(24 * 400);
    let first = begun.chain([from]).min().unwrap_or(from).max(from.checked_sub(long)?);
    let days = until.duration_since(first).as_hours() / 24 + 2;
    let frame = Frame::new(shop, first, u32::try_from(days).unwrap_or(1))?;
    let stretch = Window::new(frame.minute(from), frame.minute(until).max(frame.minute(from))).expect("in this order");
    let done: Vec<Done> =
        orders.iter().flat_map(|order| &order.operations).filter_map(|own| begin(&frame, own, stretch)).collect();

    let complete =
        |order: &OrderFacts| order.operations.iter().map(ended).collect::<Option<Vec<_>>>()?.into_iter().max();
    let came = |order: &&OrderFacts| {
        let is_here = order.arrived || order.operations.iter().any(|own| own.progress != Progress::Waiting);
        is_here && order.state() != OrderState::Cancelled
    };
    let here: Vec<(&OrderFacts, Stay)> = (orders.iter().filter(came))
        .map(|order| {
            (
                order,
                Stay { arrival: order.arrival_time.as_second(), completion: complete(order).map(Timestamp::as_second) },
            )
        })
        .collect();
    let stays: Vec<Stay> = here.iter().map(|(_, stay)| *stay).collect();
    let (from, until) = (from.as_second(), until.as_second());
    let completed = || here.iter().filter(|(_, stay)| stay.completion.is_some_and(|end| (from..until).contains(&end)));
    let sold_hours = |order: &OrderFacts| order.operations.iter().map(booked).sum::<i64>() as f64 / 60.0;
    let touch: Vec<(f64, f64)> =
        completed().map(|(order, stay)| (sold_hours(order), stay.days().unwrap_or(0.0))).collect();
    let promises: Vec<bool> =
        completed().filter_map(|(order, stay)| Some(stay.completion? <= order.promise_time?.as_second())).collect();
    let kept = promises.iter().filter(|kept| **kept).count();

    let technicians = shop.technicians.iter().map(|one| person(shop, &frame, one, &done, stretch)).collect();
    let at_work = shop.technicians.iter().fold(Calendar::default(), |all, one| all.union(&hours(shop, &frame, one)));
    let bays = shop.bays.iter().map(|bay| {
        let up = at_work.minus(&frame.closed(&bay.downtime));
        let taken = orders.iter().flat_map(|order| order.visits.iter().map(move |visit| (order, visit)));
        let taken = taken.filter(|(_, visit)| visit.bay.as_ref() == Some(&bay.id)).filter_map(|(order, visit)| {
            let own = |one: &&OrderOperation| one.visit.as_ref() == Some(&visit.id);
            let parts: Vec<Done> =
                order.operations.iter().filter(own).filter_map(|one| begin(&frame, one, stretch)).collect();
            let is_over = order.operations.iter().filter(own).all(|one| ended(one).is_some()) || order.cancelled;
            let start = parts.iter().map(|one| one.start).min()?;
            let end = if is_over { parts.iter().map(|one| one.end).max()? } else { stretch.end().max(start) };
            Some((Window::new(start, end.max(start))?, parts))
        });
        let (stays, parts): (Vec<Window>, Vec<Vec<Done>>) = taken.unzip();
        let attended = parts.iter().flatten().filter(|one| !one.operation.crew.is_empty());
        let worked = attended.filter_map(|one| Window::new(one.start, one.end)).collect();
        Own {
            id: bay.id.clone(),
            sold: 0,
            clocked: within(&Calendar::new(worked).intersection(&up), stretch),
            open: within(&up, stretch),
            busy: within(&Calendar::new(stays).intersection(&up), stretch),
        }
    });
    Ok(Measures {
        flow: flow(&stays, from, until),
        touch_hours: touch_hours(&touch),
        on_time: ratio(kept as i64, promises.len() as i64),
        technicians,
        bays: bays.collect(),
    })
}

/// Returns the booked minutes of all people of an operation; work that nobody attends sells nothing.
fn booked(operation: &OrderOperation) -> i64 {
    i64::from(operation.work_minutes) * operation.crew.len() as i64
}

fn ended(operation: &OrderOperation) -> Option<Timestamp> {
    match operation.progress {
        Progress::Done { end_time, .. } => Some(end_time),
        Progress::Waiting | Progress::Running { .. } | Progress::Paused { .. } => None,
    }
}

fn begin<'a>(frame: &Frame, operation: &'a OrderOperation, stretch: Window) -> Option<Done<'a>> {
    match &operation.progress {
        Progress::Waiting => None,
        Progress::Running { start_time, technicians, .. } => {
            let start = frame.minute(*start_time);
            Some(Done { operation, technicians, start, end: stretch.end().max(start), has_ended: false })
        }
        Progress::Paused { start_time, pause_time, technicians, .. } => {
            let start = frame.minute(*start_time);
            Some(Done { operation, technicians, start, end: frame.minute(*pause_time).max(start), has_ended: false })
        }
        Progress::Done { start_time, end_time, technicians } => {
            let start = frame.minute(*start_time);
            Some(Done { operation, technicians, start, end: frame.minute(*end_time).max(start), has_ended: true })
        }
    }
}

/// Returns when somebody is at work: shifts without holidays and absences.
fn hours(shop: &Shop, frame: &Frame, technician: &ShopTechnician) -> Calendar {
    let week = shop.calendar(&technician.calendar).expect("checked by the shop");
    frame.open(shop, week).minus(&frame.closed(&technician.absences))
}

fn person(shop: &Shop, frame: &Frame, technician: &ShopTechnician, done: &[Done], stretch: Window) -> Own {
    let open = hours(shop, frame, technician);
    let with_overtime = open.union(&frame.extra(&technician.overtime));
    let mut own = Own { id: technician.id.clone(), open: within(&open, stretch), ..Own::default() };
    for one in done.iter().filter(|one| one.technicians.contains(&technician.id)) {
        let Some(span) = Window::new(one.start, one.end) else { continue };
        let all = Calendar::new(vec![span]);
        // Work that does not stop goes on without regard to the clock; so did what lies outside all working hours.
        let at_work = all.intersection(&with_overtime);
        let on_it = if one.operation.interruptible && at_work != Calendar::default() { at_work } else { all };
        own.busy += within(&on_it, stretch);
        if one.has_ended && stretch.start() <= one.end && one.end < stretch.end() {
            own.sold += i64::from(one.operation.work_minutes);
            own.clocked += within(&on_it, span);
        }
    }
    own
}

fn within(calendar: &Calendar, window: Window) -> i64 {
    let inside = |own: &Window| (own.end().min(window.end()) - own.start().max(window.start())).minutes().max(0);
    calendar.windows().iter().map(inside).sum()
}
