//! Explanations, load and measures as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::plan::{Delay, LeftOut, delay, left_out};
use super::{id_of, instant, set, word};
use crate::names::last;
use crate::wire::minutes;

/// Answer of `why`.
#[derive(Debug, Serialize)]
pub struct Why {
    order: String,
    plan: Option<String>,
    stale: bool,
    promise: Option<String>,
    completion: Option<String>,
    /// The last stretch first.
    chain: Vec<Delay>,
    base_completion: Option<String>,
    tried: i32,
    left_out: Option<LeftOut>,
    conflict: Option<Conflict>,
    /// The cheapest first.
    levers: Vec<Lever>,
}

#[derive(Debug, Serialize)]
struct Lever {
    kind: String,
    subject: Option<String>,
    technicians: Vec<String>,
    start: Option<String>,
    end: Option<String>,
    completion: Option<String>,
    gain_minutes: i64,
    price_change: i64,
}

/// Rules that leave an order no place together.
#[derive(Debug, Serialize)]
struct Conflict {
    rules: Vec<String>,
    /// Without any one of them there is a place.
    minimal: bool,
}

impl From<&v1::OrderExplanation> for Why {
    fn from(why: &v1::OrderExplanation) -> Self {
        Self {
            order: last(&why.order).to_owned(),
            plan: id_of(&why.plan),
            stale: why.stale,
            promise: instant(why.promise_time.as_ref()),
            completion: instant(why.completion_time.as_ref()),
            chain: why.chain.iter().map(delay).collect(),
            base_completion: instant(why.base_completion_time.as_ref()),
            tried: why.tried_count,
            left_out: why.left_out.as_ref().map(left_out),
            conflict: why
                .conflict
                .as_ref()
                .map(|conflict| Conflict { rules: conflict.rules.clone(), minimal: conflict.minimal }),
            levers: why.levers.iter().map(lever).collect(),
        }
    }
}

fn lever(lever: &v1::Lever) -> Lever {
    Lever {
        kind: word(lever.kind().as_str_name(), "KIND_"),
        subject: set(&lever.subject),
        technicians: lever.technicians.clone(),
        start: instant(lever.start_time.as_ref()),
        end: instant(lever.end_time.as_ref()),
        completion: instant(lever.completion_time.as_ref()),
        gain_minutes: lever.gain.as_ref().map_or(0, minutes),
        price_change: lever.price_change,
    }
}

/// A line of `load`.
#[derive(Debug, Serialize)]
pub struct LoadRow {
    plan: Option<String>,
    stale: bool,
    kind: String,
    subject: String,
    day: Option<String>,
    booked_minutes: i64,
    open_minutes: i64,
    elsewhere_minutes: i64,
    hour_price: i64,
    hour: Option<String>,
    /// Not tried if it is null.
    saved: Option<i64>,
    base_price: i64,
    bound: Option<i64>,
}

impl LoadRow {
    /// Returns a row of a load.
    pub fn new(load: &v1::Load, row: &v1::load::Row) -> Self {
        Self {
            plan: id_of(&load.plan),
            stale: load.stale,
            kind: word(row.kind().as_str_name(), "KIND_"),
            subject: row.subject.clone(),
            day: instant(row.day_time.as_ref()),
            booked_minutes: row.booked_minutes,
            open_minutes: row.open_minutes,
            elsewhere_minutes: row.elsewhere_minutes,
            hour_price: row.hour_price,
            hour: instant(row.hour_time.as_ref()),
            saved: row.saved,
            base_price: load.base_price,
            bound: load.bound,
        }
    }
}

/// A line of `measures`.
#[derive(Debug, Serialize)]
pub struct Week {
    start: Option<String>,
    end: Option<String>,
    arrived: i32,
    completed: i32,
    touch_hours: Option<f64>,
    cycle_days: Option<f64>,
    sold_minutes: i64,
    clocked_minutes: i64,
    efficiency: Option<f64>,
    on_time: Option<f64>,
    work_in_process: f64,
    little: Option<f64>,
    stability: Option<f64>,
    technicians: Vec<Own>,
    bays: Vec<Own>,
}

#[derive(Debug, Serialize)]
struct Own {
    id: String,
    sold_minutes: i64,
    clocked_minutes: i64,
    open_minutes: i64,
    busy_minutes: i64,
    efficiency: Option<f64>,
    utilisation: Option<f64>,
}

impl From<&v1::measures::Week> for Week {
    fn from(week: &v1::measures::Week) -> Self {
        Self {
            start: instant(week.start_time.as_ref()),
            end: instant(week.end_time.as_ref()),
            arrived: week.arrived_count,
            completed: week.completed_count,
            touch_hours: week.touch_hours,
            cycle_days: week.cycle_days,
            sold_minutes: week.sold_minutes,
            clocked_minutes: week.clocked_minutes,
            efficiency: week.efficiency,
            on_time: week.on_time,
            work_in_process: week.work_in_process,
            little: week.little,
            stability: week.stability,
            technicians: week.technicians.iter().map(own).collect(),
            bays: week.bays.iter().map(own).collect(),
        }
    }
}

fn own(own: &v1::measures::Own) -> Own {
    Own {
        id: own.id.clone(),
        sold_minutes: own.sold_minutes,
        clocked_minutes: own.clocked_minutes,
        open_minutes: own.open_minutes,
        busy_minutes: own.busy_minutes,
        efficiency: own.efficiency,
        utilisation: own.utilisation,
    }
}
