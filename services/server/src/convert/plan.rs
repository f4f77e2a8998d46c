//! Plans: from the model to the contract only.

use fitup_model::timetable::{
    Delay, DelayKind, LeftOutOrder, OperationState, OperationTimetable, OrderTimetable, Quality, VisitTimetable,
};
use fitup_model::{Price, Timetable};
use fitup_proto::v1;

use super::fields::{to_duration, to_instant};
use super::names::{self, Collection};

/// Writes the timetable of a plan of `shop`; what the server knows beside it is left empty.
pub fn write(shop: &str, timetable: &Timetable) -> v1::Plan {
    v1::Plan {
        as_of_time: Some(to_instant(timetable.as_of_time)),
        horizon_time: Some(to_instant(timetable.horizon_time)),
        quality: to_quality(timetable.quality).into(),
        price: Some(to_price(&timetable.price)),
        bound: timetable.bound,
        gap: timetable.gap(),
        orders: timetable.orders.iter().map(|order| to_order(shop, order)).collect(),
        left_out: timetable.left_out.iter().map(|order| to_left_out(shop, order)).collect(),
        ..Default::default()
    }
}

fn to_quality(quality: Quality) -> v1::plan::Quality {
    match quality {
        Quality::Optimal => v1::plan::Quality::Optimal,
        Quality::Feasible => v1::plan::Quality::Feasible,
    }
}

fn to_price(price: &Price) -> v1::Price {
    v1::Price {
        total: price.total(),
        lateness: price.lateness,
        flow: price.flow,
        overtime: price.overtime,
        change: price.change,
        same_person: price.same_person,
        outside: price.outside,
        left_out: price.left_out,
    }
}

/// Writes the plan for an order.
pub fn to_order(shop: &str, order: &OrderTimetable) -> v1::OrderPlan {
    v1::OrderPlan {
        order: names::child(shop, Collection::Orders, &order.order),
        vehicle: order.vehicle.clone(),
        arrival_time: Some(to_instant(order.arrival_time)),
        promise_time: order.promise_time.map(to_instant),
        completion_time: Some(to_instant(order.completion_time)),
        lateness: order.lateness().map(to_duration),
        visits: order.visits.iter().map(to_visit).collect(),
        operations: order.operations.iter().map(to_operation).collect(),
        delays: order.delays.iter().map(to_delay).collect(),
        hold_expire_time: order.held_until.map(to_instant),
    }
}

fn to_visit(visit: &VisitTimetable) -> v1::VisitPlan {
    v1::VisitPlan {
        visit: visit.visit.clone(),
        bay: visit.bay.clone(),
        loose_parts: visit.loose_parts,
        start_time: Some(to_instant(visit.start_time)),
        end_time: Some(to_instant(visit.end_time)),
    }
}

fn to_operation(operation: &OperationTimetable) -> v1::OperationPlan {
    v1::OperationPlan {
        operation: operation.operation.clone(),
        display_name: operation.display_name.clone(),
        state: to_operation_state(operation.state).into(),
        visit: operation.visit.clone().unwrap_or_default(),
        bay: operation.bay.clone().unwrap_or_default(),
        start_time: Some(to_instant(operation.start_time)),
        end_time: Some(to_instant(operation.end_time)),
        technicians: operation.technicians.clone(),
        overtime: operation.overtime,
    }
}

fn to_operation_state(state: OperationState) -> v1::operation_plan::State {
    match state {
        OperationState::Planned => v1::operation_plan::State::Planned,
        OperationState::Running => v1::operation_plan::State::Running,
        OperationState::Done => v1::operation_plan::State::Done,
    }
}

/// Writes where time goes.
pub fn to_delay(delay: &Delay) -> v1::Delay {
    v1::Delay {
        kind: to_delay_kind(delay.kind).into(),
        duration: Some(to_duration(delay.duration)),
        subject: delay.subject.clone().unwrap_or_default(),
        holder: delay.holder.clone().unwrap_or_default(),
        operation: delay.operation.clone(),
        until_time: Some(to_instant(delay.until_time)),
    }
}

fn to_delay_kind(kind: DelayKind) -> v1::delay::Kind {
    match kind {
        DelayKind::Work => v1::delay::Kind::Work,
        DelayKind::Cure => v1::delay::Kind::Cure,
        DelayKind::Part => v1::delay::Kind::Part,
        DelayKind::Approval => v1::delay::Kind::Approval,
        DelayKind::Bay => v1::delay::Kind::Bay,
        DelayKind::Technician => v1::delay::Kind::Technician,
        DelayKind::Equipment => v1::delay::Kind::Equipment,
        DelayKind::Closed => v1::delay::Kind::Closed,
        DelayKind::Settled => v1::delay::Kind::Settled,
        DelayKind::Other => v1::delay::Kind::Other,
    }
}

/// Writes an order that is left out.
pub fn to_left_out(shop: &str, order: &LeftOutOrder) -> v1::LeftOut {
    v1::LeftOut {
        order: names::child(shop, Collection::Orders, &order.order),
        reason: order.reason.clone(),
        operation: order.operation.clone().unwrap_or_default(),
        message: order.message.clone(),
    }
}
