//! Plans and plan runs as JSON.

use fitup_proto::v1;
use serde::Serialize;

use super::{id_of, instant, set, word};
use crate::names::last;
use crate::wire::minutes;

/// Progress and end of a plan run: a line of `plan run list`, `plan run watch` and `plan solve`.
#[derive(Debug, Serialize)]
pub struct Run {
    id: String,
    state: String,
    phase: Option<String>,
    best_price: Option<i64>,
    bound: i64,
    gap: Option<f64>,
    plan: Option<String>,
    failure: Option<String>,
    as_of: Option<String>,
    created: Option<String>,
    started: Option<String>,
    ended: Option<String>,
}

impl From<&v1::PlanRun> for Run {
    fn from(run: &v1::PlanRun) -> Self {
        let phase = match run.phase() {
            v1::plan_run::Phase::Unspecified => None,
            phase => Some(word(phase.as_str_name(), "PHASE_")),
        };
        Self {
            id: last(&run.name).to_owned(),
            state: word(run.state().as_str_name(), "STATE_"),
            phase,
            best_price: run.best_price,
            bound: run.bound,
            gap: run.gap,
            plan: id_of(&run.plan),
            failure: set(&run.failure),
            as_of: instant(run.as_of_time.as_ref()),
            created: instant(run.create_time.as_ref()),
            started: instant(run.start_time.as_ref()),
            ended: instant(run.end_time.as_ref()),
        }
    }
}

/// A line of `plan list`, and answer of `plan solve`.
#[derive(Debug, Serialize)]
pub struct PlanLine {
    id: String,
    state: String,
    stale: bool,
    /// No plan is cheaper.
    optimal: bool,
    price: i64,
    bound: i64,
    gap: f64,
    as_of: Option<String>,
    created: Option<String>,
}

impl From<&v1::Plan> for PlanLine {
    fn from(plan: &v1::Plan) -> Self {
        Self {
            id: last(&plan.name).to_owned(),
            state: word(plan.state().as_str_name(), "STATE_"),
            stale: plan.stale,
            optimal: plan.quality() == v1::plan::Quality::Optimal,
            price: plan.price.map_or(0, |price| price.total),
            bound: plan.bound,
            gap: plan.gap,
            as_of: instant(plan.as_of_time.as_ref()),
            created: instant(plan.create_time.as_ref()),
        }
    }
}

/// Answer of `plan show` and `plan solve`.
#[derive(Debug, Serialize)]
pub struct Plan {
    #[serde(flatten)]
    line: PlanLine,
    price_parts: Price,
    horizon: Option<String>,
    orders: Vec<OrderPlan>,
    left_out: Vec<LeftOut>,
}

#[derive(Debug, Serialize)]
struct Price {
    lateness: i64,
    flow: i64,
    overtime: i64,
    change: i64,
    same_person: i64,
    outside: i64,
    left_out: i64,
}

/// A line of `plan late`, and an order of `plan show`.
#[derive(Debug, Serialize)]
pub struct OrderPlan {
    order: String,
    vehicle: String,
    arrival: Option<String>,
    promise: Option<String>,
    completion: Option<String>,
    late_minutes: i64,
    visits: Vec<VisitPlan>,
    operations: Vec<OperationPlan>,
    delays: Vec<Delay>,
    /// Of what is held and no order: until when.
    #[serde(skip_serializing_if = "Option::is_none")]
    held_until: Option<String>,
}

#[derive(Debug, Serialize)]
struct VisitPlan {
    visit: String,
    bay: String,
    loose_parts: bool,
    start: Option<String>,
    end: Option<String>,
}

#[derive(Debug, Serialize)]
struct OperationPlan {
    operation: String,
    name: String,
    state: String,
    visit: Option<String>,
    bay: Option<String>,
    start: Option<String>,
    end: Option<String>,
    technicians: Vec<String>,
    overtime: bool,
}

/// Time on the chain that decides an order.
#[derive(Debug, Serialize)]
pub(super) struct Delay {
    kind: String,
    minutes: i64,
    subject: Option<String>,
    holder: Option<String>,
    operation: Option<String>,
    until: Option<String>,
}

#[derive(Debug, Serialize)]
pub(super) struct LeftOut {
    order: String,
    reason: String,
    operation: Option<String>,
    message: String,
}

impl From<&v1::Plan> for Plan {
    fn from(plan: &v1::Plan) -> Self {
        let price = plan.price.unwrap_or_default();
        Self {
            line: PlanLine::from(plan),
            price_parts: Price {
                lateness: price.lateness,
                flow: price.flow,
                overtime: price.overtime,
                change: price.change,
                same_person: price.same_person,
                outside: price.outside,
                left_out: price.left_out,
            },
            horizon: instant(plan.horizon_time.as_ref()),
            orders: plan.orders.iter().map(OrderPlan::from).collect(),
            left_out: plan.left_out.iter().map(left_out).collect(),
        }
    }
}

impl From<&v1::OrderPlan> for OrderPlan {
    fn from(order: &v1::OrderPlan) -> Self {
        Self {
            order: last(&order.order).to_owned(),
            vehicle: order.vehicle.clone(),
            arrival: instant(order.arrival_time.as_ref()),
            promise: instant(order.promise_time.as_ref()),
            completion: instant(order.completion_time.as_ref()),
            late_minutes: order.lateness.as_ref().map_or(0, minutes),
            visits: order.visits.iter().map(visit_plan).collect(),
            operations: order.operations.iter().map(operation_plan).collect(),
            delays: order.delays.iter().map(delay).collect(),
            held_until: instant(order.hold_expire_time.as_ref()),
        }
    }
}

fn visit_plan(visit: &v1::VisitPlan) -> VisitPlan {
    VisitPlan {
        visit: visit.visit.clone(),
        bay: visit.bay.clone(),
        loose_parts: visit.loose_parts,
        start: instant(visit.start_time.as_ref()),
        end: instant(visit.end_time.as_ref()),
    }
}

fn operation_plan(operation: &v1::OperationPlan) -> OperationPlan {
    OperationPlan {
        operation: operation.operation.clone(),
        name: operation.display_name.clone(),
        state: word(operation.state().as_str_name(), "STATE_"),
        visit: set(&operation.visit),
        bay: set(&operation.bay),
        start: instant(operation.start_time.as_ref()),
        end: instant(operation.end_time.as_ref()),
        technicians: operation.technicians.clone(),
        overtime: operation.overtime,
    }
}

pub(super) fn delay(delay: &v1::Delay) -> Delay {
    Delay {
        kind: word(delay.kind().as_str_name(), "KIND_"),
        minutes: delay.duration.as_ref().map_or(0, minutes),
        subject: set(&delay.subject),
        holder: set(&delay.holder),
        operation: set(&delay.operation),
        until: instant(delay.until_time.as_ref()),
    }
}

/// Returns an order that is left out.
pub(super) fn left_out(left: &v1::LeftOut) -> LeftOut {
    LeftOut {
        order: last(&left.order).to_owned(),
        reason: left.reason.clone(),
        operation: set(&left.operation),
        message: left.message.clone(),
    }
}
