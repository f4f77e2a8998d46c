//! Explanations, load and measures: from the model to the contract only.

use fitup_model::measures::{Measures, Own};
use fitup_model::timetable::{LeftOutOrder, OrderTimetable};
use fitup_model::{Planning, Problem};
use fitup_planner::bound::Scarce;
use fitup_planner::conflict::Conflict;
use fitup_planner::load::Load;
use fitup_planner::steer::{Lever, Steered, Tried};
use fitup_proto::v1;
use fitup_store::PlanRecord;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::fields::{to_duration, to_instant};
use super::names::{self, Collection};
use super::plan::{to_delay, to_left_out};

/// Writes what decides an order of a plan, and what would bring it forward.
pub fn write_order(
    shop: &str,
    record: &PlanRecord,
    order: &OrderTimetable,
    planning: &Planning,
    steered: Option<&Steered>,
) -> v1::OrderExplanation {
    let mut chain = order.delays.clone();
    chain.sort_by_key(|delay| std::cmp::Reverse((delay.until_time, delay.duration)));
    v1::OrderExplanation {
        order: names::child(shop, Collection::Orders, &order.order),
        plan: names::child(shop, Collection::Plans, &record.id),
        promise_time: order.promise_time.map(to_instant),
        completion_time: Some(to_instant(order.completion_time)),
        chain: chain.iter().map(to_delay).collect(),
        base_completion_time: steered.map(|steered| to_instant(planning.instant(steered.base))),
        levers: steered.iter().flat_map(|own| &own.levers).map(|tried| to_lever(planning, tried)).collect(),
        tried_count: steered.map_or(0, |steered| i32::try_from(steered.tried).unwrap_or(i32::MAX)),
        stale: record.stale,
        left_out: None,
        conflict: None,
    }
}

/// Writes why an order is left out of a plan; `promise` is what was promised.
pub fn write_left_out(
    shop: &str,
    record: &PlanRecord,
    left: &LeftOutOrder,
    promise: Option<Timestamp>,
    conflict: Option<v1::Conflict>,
) -> v1::OrderExplanation {
    v1::OrderExplanation {
        order: names::child(shop, Collection::Orders, &left.order),
        plan: names::child(shop, Collection::Plans, &record.id),
        promise_time: promise.map(to_instant),
        stale: record.stale,
        left_out: Some(to_left_out(shop, left)),
        conflict,
        ..v1::OrderExplanation::default()
    }
}

/// Writes rules that leave an order no place, of which `problem` knows the names.
pub fn to_conflict(planning: &Planning, zone: &TimeZone, conflict: &Conflict) -> v1::Conflict {
    let show = |time| zone.to_datetime(planning.instant(time)).strftime("%a %-d %b %H:%M").to_string();
    let rules = conflict.rules.iter().map(|rule| rule.describe(&planning.problem, &show));
    v1::Conflict { rules: rules.collect(), minimal: conflict.minimal }
}

fn to_lever(planning: &Planning, tried: &Tried) -> v1::Lever {
    use v1::lever::Kind;
    let problem: &Problem = &planning.problem;
    let person = |id: &fitup_model::keyed::TechnicianId| problem.technicians[*id].name.clone();
    let (kind, subject, technicians, window) = match &tried.lever {
        Lever::Part(name) => (Kind::Part, name.clone(), vec![], None),
        Lever::Approval(name) => (Kind::Approval, name.clone(), vec![], None),
        Lever::First => (Kind::First, String::new(), vec![], None),
        Lever::Overtime(people, window) => {
            (Kind::Overtime, String::new(), people.iter().map(person).collect(), Some(*window))
        }
        Lever::Equipment(pool) => (Kind::Equipment, problem.equipment[*pool].name.clone(), vec![], None),
        Lever::Bay(class) => (Kind::Bay, problem.bay_classes[*class].clone(), vec![], None),
        Lever::Technician(skill, like) => (Kind::Technician, problem.skills[*skill].clone(), vec![person(like)], None),
    };
    v1::Lever {
        kind: kind.into(),
        subject,
        technicians,
        start_time: window.map(|window| to_instant(planning.instant(window.start()))),
        end_time: window.map(|window| to_instant(planning.instant(window.end()))),
        completion_time: Some(to_instant(planning.instant(tried.completion))),
        gain: Some(to_duration(SignedDuration::from_mins(tried.gain.minutes()))),
        price_change: tried.price_change,
    }
}

/// Writes the load of a plan.
pub fn write_load(shop: &str, record: &PlanRecord, planning: &Planning, load: &Load) -> v1::Load {
    let problem: &Problem = &planning.problem;
    let rows = load.rows.iter().filter_map(|row| {
        let (kind, subject) = match row.resource {
            Scarce::BayClass(class) => (v1::load::Kind::BayClass, problem.bay_classes[class].clone()),
            Scarce::Skill(skill) => (v1::load::Kind::Skill, problem.skills[skill].clone()),
            Scarce::Person(_) | Scarce::Equipment(_) => return None,
        };
        let midnight = problem.days.iter().copied().rfind(|day| *day <= row.day.start());
        Some(v1::load::Row {
            kind: kind.into(),
            subject,
            day_time: Some(to_instant(planning.instant(midnight.unwrap_or(row.day.start())))),
            booked_minutes: row.booked.minutes(),
            open_minutes: row.open.minutes(),
            elsewhere_minutes: row.elsewhere.minutes(),
            hour_price: row.price,
            hour_time: row.hour.map(|(hour, _)| to_instant(planning.instant(hour.start()))),
            saved: row.saved,
        })
    });
    v1::Load {
        plan: names::child(shop, Collection::Plans, &record.id),
        rows: rows.collect(),
        base_price: load.base.unwrap_or(record.timetable.price.total()),
        bound: load.bound,
        stale: record.stale,
    }
}

/// Writes the measures of `[from, until)`; `kept` of the operations planned again, of all.
pub fn write_week(from: Timestamp, until: Timestamp, week: &Measures, kept: (usize, usize)) -> v1::measures::Week {
    let count = |number: usize| i32::try_from(number).unwrap_or(i32::MAX);
    let people = week.people();
    v1::measures::Week {
        start_time: Some(to_instant(from)),
        end_time: Some(to_instant(until)),
        arrived_count: count(week.flow.arrived),
        completed_count: count(week.flow.completed),
        touch_hours: week.touch_hours,
        cycle_days: week.flow.cycle_days,
        sold_minutes: people.sold,
        clocked_minutes: people.clocked,
        efficiency: people.efficiency(),
        on_time: week.on_time,
        work_in_process: week.flow.work_in_process,
        little: week.flow.little,
        stability: (kept.1 > 0).then(|| kept.0 as f64 / kept.1 as f64),
        technicians: week.technicians.iter().map(to_own).collect(),
        // Bays sell nothing by themselves.
        bays: week.bays.iter().map(|bay| v1::measures::Own { efficiency: None, ..to_own(bay) }).collect(),
    }
}

fn to_own(own: &Own) -> v1::measures::Own {
    v1::measures::Own {
        id: own.id.clone(),
        sold_minutes: own.sold,
        clocked_minutes: own.clocked,
        open_minutes: own.open,
        busy_minutes: own.busy,
        efficiency: own.efficiency(),
        utilisation: own.utilisation(),
    }
}
