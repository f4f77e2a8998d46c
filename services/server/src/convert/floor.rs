//! Events of the floor.

use fitup_model::floor::{FloorKind, PartEvent, ResourceEvent, Settlement, WorkEvent};
use fitup_model::impact::Hit;
use fitup_model::order::SupplyState;
use fitup_model::{Fault, Shop};
use fitup_proto::v1;
use fitup_store::FloorRecord;
use jiff::{Timestamp, ToSpan};

use super::fields::{
    At, collect, count, minutes, optional_count, optional_instant, optional_minutes, optional_text, to_count,
    to_instant, to_minutes,
};
use super::names::{self, Collection};
use super::order::supply_state;

/// Returns what `read` made of a message, or all that it found wrong.
fn whole<T>(read: impl FnOnce(&At) -> T) -> Result<T, Vec<Fault>> {
    let (value, faults) = collect(read);
    if faults.is_empty() { Ok(value) } else { Err(faults) }
}

/// So far back is something said of the floor; what is further back is a slip of the pen.
const FURTHEST_DAYS: i64 = 366;

/// Reads when something happened: not ahead of `now`, which it is if nothing is said, and no more than a year back.
///
/// # Errors
/// A fault of `event_time`.
pub fn read_event_time(time: Option<&prost_types::Timestamp>, now: Timestamp) -> Result<Timestamp, Vec<Fault>> {
    whole(|at| {
        let at = at.field("event_time");
        let read = optional_instant(time, &at).unwrap_or(now);
        // Clocks of two machines differ a little.
        if read > now.saturating_add(1.minute()).unwrap_or(now) {
            at.fault("lies ahead; say what has happened when it has");
        } else if read < now.saturating_sub((24 * FURTHEST_DAYS).hours()).unwrap_or(Timestamp::MIN) {
            at.fault(format!("{read} lies more than a year back; look at the year"));
        }
        read
    })
}

/// Reads what is done on an operation.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_work(event: Option<&v1::record_work_request::Event>) -> Result<WorkEvent, Vec<Fault>> {
    use v1::record_work_request::Event;
    whole(|at| match event {
        Some(Event::On(on)) => WorkEvent::On { technicians: on.technicians.clone(), bay: optional_text(&on.bay) },
        Some(Event::Off(off)) => {
            let at = at.field("off");
            let remaining_minutes = optional_minutes(off.remaining_work.as_ref(), &at.field("remaining_work"));
            WorkEvent::Off { technicians: off.technicians.clone(), remaining_minutes }
        }
        Some(Event::Pause(pause)) => {
            let at = at.field("pause");
            let remaining_minutes = optional_minutes(pause.remaining_work.as_ref(), &at.field("remaining_work"));
            WorkEvent::Pause { reason: pause.reason.clone(), remaining_minutes }
        }
        Some(Event::Finish(v1::Finish {})) => WorkEvent::Finish,
        Some(Event::Reopen(reopen)) => {
            let at = at.field("reopen");
            let remaining_minutes = minutes(reopen.remaining_work.as_ref(), &at.field("remaining_work"));
            WorkEvent::Reopen { remaining_minutes, reason: reopen.reason.clone() }
        }
        Some(Event::Check(check)) => WorkEvent::Check {
            passed: check.passed,
            measurement: check.measurement.clone(),
            reason: check.reason.clone(),
        },
        None => {
            at.field("event").fault("is required");
            WorkEvent::Finish
        }
    })
}

/// Reads what is settled by hand.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_settlement(settlement: Option<&v1::settle_work_request::Settlement>) -> Result<Settlement, Vec<Fault>> {
    use v1::settle_work_request::Settlement as Message;
    whole(|at| match settlement {
        Some(Message::Swap(swap)) => Settlement::Swap { out: swap.out.clone(), into: swap.into.clone() },
        Some(Message::Pin(pin)) => {
            let at = at.field("pin");
            let start_time = optional_instant(pin.start_time.as_ref(), &at.field("start_time"));
            Settlement::Pin { technicians: pin.technicians.clone(), bay: optional_text(&pin.bay), start_time }
        }
        Some(Message::Unpin(v1::Unpin {})) => Settlement::Unpin,
        None => {
            at.field("settlement").fault("is required");
            Settlement::Unpin
        }
    })
}

/// Reads what is heard of a part.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_part(request: &v1::RecordPartRequest) -> Result<PartEvent, Vec<Fault>> {
    whole(|at| {
        let state = supply_state(request.state, &at.field("state"));
        if request.state == 0 {
            at.field("state").fault("is required");
        }
        let confidence = optional_count(Some(request.confidence_percent), &at.field("confidence_percent"));
        PartEvent {
            state: state.unwrap_or(SupplyState::Ordered),
            expected_time: optional_instant(request.expected_time.as_ref(), &at.field("expected_time")),
            confidence_percent: confidence.filter(|percent| *percent > 0),
            reason: request.reason.clone(),
        }
    })
}

/// Reads what happens to people, bays and equipment; a range that does not say so begins at `event_time` and ends with
/// its day.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_resource(
    event: Option<&v1::record_resource_request::Event>,
    shop: &Shop,
    event_time: Timestamp,
) -> Result<ResourceEvent, Vec<Fault>> {
    use v1::record_resource_request::Event;
    whole(|at| {
        let range = |range: &v1::ResourceRange, name: &'static str| {
            let at = at.field(name);
            let start = optional_instant(range.start_time.as_ref(), &at.field("start_time")).unwrap_or(event_time);
            let end = optional_instant(range.end_time.as_ref(), &at.field("end_time"));
            (range.id.clone(), start, end.unwrap_or_else(|| end_of_day(shop, start)), range.reason.clone())
        };
        match event {
            Some(Event::TechnicianOut(message)) => {
                let (technician, start_time, end_time, reason) = range(message, "technician_out");
                ResourceEvent::Out { technician, start_time, end_time, reason }
            }
            Some(Event::TechnicianBack(end)) => ResourceEvent::Back { technician: end.id.clone() },
            Some(Event::BayDown(message)) => {
                let (bay, start_time, end_time, reason) = range(message, "bay_down");
                ResourceEvent::Down { bay, start_time, end_time, reason }
            }
            Some(Event::BayUp(end)) => ResourceEvent::Up { bay: end.id.clone() },
            Some(Event::EquipmentShort(message)) => {
                let (equipment, start_time, end_time, reason) = range(message, "equipment_short");
                let pieces = count(message.count, 1, &at.field("equipment_short").field("count")).max(1);
                ResourceEvent::Short { equipment, count: pieces, start_time, end_time, reason }
            }
            Some(Event::EquipmentWhole(end)) => ResourceEvent::Whole { equipment: end.id.clone() },
            Some(Event::Overtime(message)) => {
                let (technician, start_time, end_time, reason) = range(message, "overtime");
                if message.end_time.is_none() {
                    at.field("overtime").field("end_time").fault("is required");
                }
                ResourceEvent::Overtime { technician, start_time, end_time, reason }
            }
            None => {
                at.field("event").fault("is required");
                ResourceEvent::Back { technician: String::new() }
            }
        }
    })
}

fn end_of_day(shop: &Shop, start: Timestamp) -> Timestamp {
    let next = shop.zone().to_datetime(start).date().checked_add(1.day()).ok();
    next.and_then(|date| shop.zone().to_timestamp(date.into()).ok()).unwrap_or(start)
}

/// Writes a floor record.
pub fn write(record: &FloorRecord) -> v1::FloorRecord {
    let note = &record.note;
    let order = note.order.as_ref().map(|order| names::child(&record.shop, Collection::Orders, order));
    v1::FloorRecord {
        name: names::child(&record.shop, Collection::FloorRecords, &record.id.to_string()),
        kind: to_kind(note.kind).into(),
        event_time: Some(to_instant(note.event_time)),
        create_time: Some(to_instant(record.create_time)),
        actor: record.actor.clone(),
        order: order.unwrap_or_default(),
        operation: note.operation.clone().unwrap_or_default(),
        subject: note.subject.clone().unwrap_or_default(),
        technicians: note.technicians.clone(),
        bay: note.bay.clone().unwrap_or_default(),
        start_time: note.start_time.map(to_instant),
        end_time: note.end_time.map(to_instant),
        planned_end_time: note.planned_end_time.map(to_instant),
        booked_work: note.booked_minutes.map(to_minutes),
        count: note.count.map_or(0, to_count),
        measurement: note.measurement.clone(),
        reason: note.reason.clone(),
        added_operations: note.added.clone(),
    }
}

fn to_kind(kind: FloorKind) -> v1::floor_record::Kind {
    use v1::floor_record::Kind;
    match kind {
        FloorKind::On => Kind::On,
        FloorKind::Off => Kind::Off,
        FloorKind::Pause => Kind::Pause,
        FloorKind::Finish => Kind::Finish,
        FloorKind::Reopen => Kind::Reopen,
        FloorKind::Pass => Kind::Pass,
        FloorKind::Fail => Kind::Fail,
        FloorKind::Swap => Kind::Swap,
        FloorKind::Pin => Kind::Pin,
        FloorKind::Unpin => Kind::Unpin,
        FloorKind::PartOrdered => Kind::PartOrdered,
        FloorKind::PartExpected => Kind::PartExpected,
        FloorKind::PartReceived => Kind::PartReceived,
        FloorKind::PartWrong => Kind::PartWrong,
        FloorKind::PartDamaged => Kind::PartDamaged,
        FloorKind::PartReturned => Kind::PartReturned,
        FloorKind::Out => Kind::Out,
        FloorKind::Back => Kind::Back,
        FloorKind::Down => Kind::Down,
        FloorKind::Up => Kind::Up,
        FloorKind::Short => Kind::Short,
        FloorKind::Whole => Kind::Whole,
        FloorKind::Overtime => Kind::Overtime,
    }
}

/// Writes what becomes of an order of `shop`.
pub fn write_hit(shop: &str, hit: &Hit) -> v1::Hit {
    v1::Hit {
        order: names::child(shop, Collection::Orders, &hit.order),
        vehicle: hit.vehicle.clone(),
        promise_time: hit.promise_time.map(to_instant),
        published_time: hit.published_time.map(to_instant),
        expected_time: hit.expected_time.map(to_instant),
        message: hit.message.clone(),
    }
}
