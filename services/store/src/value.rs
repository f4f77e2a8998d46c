//! Values without an id of their own, as they stand in the audit trail. Entries are kept for ever: fields may come, and
//! none may go or change.

use fitup_model::order::{
    EquipmentNeed, Hazard, HoldPoint, OrderLink, Pin, Progress, SamePersonWish, Supply, SupplyState,
};
use fitup_model::shop::{
    CalendarException, DayWindow, EquipmentOutage, FamilyChangeover, Holiday, Period, Shift, TechnicianSkill,
};
use fitup_model::take_in::{EstimateLine, Override, PartCondition};
use jiff::Timestamp;
use serde_json::{Value, json};

use crate::record::{HoldState, QuotedDate};

pub fn list<T>(values: &[T], value: impl Fn(&T) -> Value) -> Value {
    values.iter().map(value).collect()
}

pub fn time(time: Timestamp) -> Value {
    json!(time.to_string())
}

/// Days count from 1, Monday.
pub fn shift(shift: &Shift) -> Value {
    let days: Vec<_> = shift.days.iter().map(|day| day.to_monday_one_offset()).collect();
    let DayWindow { start_minute, end_minute } = shift.window;
    let breaks = list(&shift.breaks, window);
    json!({"days": days, "start_minute": start_minute, "end_minute": end_minute, "breaks": breaks})
}

fn window(window: &DayWindow) -> Value {
    json!({"start_minute": window.start_minute, "end_minute": window.end_minute})
}

pub fn exception(exception: &CalendarException) -> Value {
    let (start, end) = (exception.start_date.to_string(), exception.end_date.to_string());
    let open = list(&exception.open, window);
    json!({"start_date": start, "end_date": end, "open": open, "note": exception.note})
}

pub fn holiday(holiday: &Holiday) -> Value {
    json!({"date": holiday.date.to_string(), "display_name": holiday.display_name})
}

pub fn period(period: &Period) -> Value {
    json!({"start_time": time(period.start_time), "end_time": time(period.end_time), "note": period.note})
}

pub fn outage(outage: &EquipmentOutage) -> Value {
    let mut value = period(&outage.period);
    value["count"] = json!(outage.count);
    value
}

pub fn skill(skill: &TechnicianSkill) -> Value {
    json!({"skill": skill.skill, "efficiency_percent": skill.efficiency_percent})
}

pub fn changeover(changeover: &FamilyChangeover) -> Value {
    let FamilyChangeover { from_family, to_family, minutes } = changeover;
    json!({"from_family": from_family, "to_family": to_family, "minutes": minutes})
}

pub fn equipment(need: &EquipmentNeed) -> Value {
    json!({"equipment": need.equipment, "count": need.count})
}

pub fn same_person(wish: &SamePersonWish) -> Value {
    json!({"operation": wish.operation, "required": wish.required})
}

pub fn pin(pin: &Pin) -> Value {
    json!({"technicians": pin.technicians, "start_time": pin.start_time.map(time)})
}

pub fn hold_point(hold_point: &HoldPoint) -> Value {
    json!({"rework": hold_point.rework, "measure": hold_point.measure})
}

pub fn supply(supply: &Supply) -> Value {
    let state = match supply.state {
        SupplyState::Ordered => "ordered",
        SupplyState::Expected => "expected",
        SupplyState::Received => "received",
        SupplyState::Wrong => "wrong",
        SupplyState::Damaged => "damaged",
        SupplyState::Returned => "returned",
    };
    json!({"state": state, "confidence_percent": supply.confidence_percent})
}

pub fn hazard(hazard: &Hazard) -> Value {
    json!(match hazard {
        Hazard::HighVoltage => "high-voltage",
        Hazard::RestraintSystem => "restraint-system",
        Hazard::Isocyanate => "isocyanate",
        Hazard::UncuredGlass => "uncured-glass",
        Hazard::RaisedVehicle => "raised-vehicle",
        Hazard::Tension => "tension",
        Hazard::Refrigerant => "refrigerant",
        Hazard::Welding => "welding",
    })
}

pub fn progress(progress: &Progress) -> Value {
    match progress {
        Progress::Waiting => json!({"state": "waiting"}),
        // The form of old entries: what is told since is there only if it is set.
        Progress::Running { start_time, technicians, remaining_minutes, remaining_time: None } => json!({
            "state": "running",
            "start_time": time(*start_time),
            "technicians": technicians,
            "remaining_minutes": remaining_minutes,
        }),
        Progress::Running { start_time, technicians, remaining_minutes, remaining_time: Some(since) } => json!({
            "state": "running",
            "start_time": time(*start_time),
            "technicians": technicians,
            "remaining_minutes": remaining_minutes,
            "remaining_time": time(*since),
        }),
        Progress::Paused { start_time, pause_time, technicians, remaining_minutes, reason } => json!({
            "state": "paused",
            "start_time": time(*start_time),
            "pause_time": time(*pause_time),
            "technicians": technicians,
            "remaining_minutes": remaining_minutes,
            "reason": reason,
        }),
        Progress::Done { start_time, end_time, technicians } => json!({
            "state": "done",
            "start_time": time(*start_time),
            "end_time": time(*end_time),
            "technicians": technicians,
        }),
    }
}

pub fn hold_state(state: HoldState) -> Value {
    json!(match state {
        HoldState::Standing => "standing",
        HoldState::Expired => "expired",
        HoldState::Accepted => "accepted",
        HoldState::Released => "released",
    })
}

pub fn quoted_date(date: QuotedDate) -> Value {
    json!(match date {
        QuotedDate::Likely => "likely",
        QuotedDate::P80 => "p80",
        QuotedDate::Safe => "safe",
    })
}

pub fn link(link: &OrderLink) -> Value {
    json!({
        "from": link.from,
        "to": link.to,
        "min_wait_minutes": link.min_wait_minutes,
        "max_wait_minutes": link.max_wait_minutes,
    })
}

pub fn line(line: &EstimateLine) -> Value {
    let condition = line.condition.map(|condition| match condition {
        PartCondition::New => "new",
        PartCondition::Used => "used",
    });
    json!({
        "panel": line.panel, "work": line.work, "labour": line.labour, "minutes": line.minutes,
        "part_number": line.part_number, "condition": condition,
        "part_expected_time": line.part_expected_time.map(time), "part_received": line.part_received, "note": line.note,
    })
}

pub fn settled(settled: &Override) -> Value {
    match settled {
        Override::Work { operation, minutes } => json!({"work": operation, "minutes": minutes}),
        Override::Crew { operation, crew } => json!({"crew": operation, "skills": crew}),
        Override::Link { from, to, min_wait_minutes, max_wait_minutes } => json!({
            "link": to, "from": from, "min_wait_minutes": min_wait_minutes, "max_wait_minutes": max_wait_minutes,
        }),
        Override::Unlink { from, to } => json!({"unlink": to, "from": from}),
        Override::LeaveOut { operation } => json!({"leave_out": operation}),
    }
}
