//! From the facts of a shop at one moment to a [`Problem`], and from a [`Plan`] back to names and instants.

mod build;
mod published;

use std::collections::HashMap;

use jiff::Timestamp;

use crate::cost::Cost;
use crate::keyed::{OperationId, TechnicianId, VisitId};
use crate::order::{Order, OrderFacts, OrderOperation, OrderState, OrderVisit, Progress};
use crate::plan::Plan;
use crate::problem::Problem;
use crate::shop::Shop;
use crate::time::Time;
use crate::timetable::{
    LeftOutOrder, OperationState, OperationTimetable, OrderTimetable, Quality, Timetable, VisitTimetable,
};
use crate::week::Frame;
use build::Builder;
use published::PublishedPlan;

/// The facts of a shop at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// The shop.
    pub shop: Shop,
    /// Its orders; only the open ones are planned.
    pub orders: Vec<OrderFacts>,
    /// What is held. One that stands at [`Snapshot::now`] is planned like an order, one that is over is nothing.
    pub holds: Vec<Held>,
    /// The plan that the floor works by.
    pub published: Option<Timetable>,
    /// The moment: nothing new starts before it.
    pub now: Timestamp,
}

/// An order that was quoted and is held: its place is kept, though it is no order yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// The order that it would become.
    pub order: OrderFacts,
    /// From then on it is over.
    pub until: Timestamp,
}

/// The problem of a snapshot, and what it takes to read a plan for it.
#[derive(Debug, Clone)]
pub struct Planning {
    /// The problem. Its cars, visits, operations, bays, equipment and technicians bear the ids of the facts, visits and
    /// operations with their order's id before a slash.
    pub problem: Problem,
    /// Open orders that no longer fit the shop, and are not in the problem.
    pub misfits: Vec<LeftOutOrder>,
    /// The published plan as far as the problem still has what it speaks of: where to start from, not a plan that keeps
    /// the rules.
    pub published: Option<Plan>,
    frame: Frame,
    orders: Vec<Order>,
    held: HashMap<String, Timestamp>,
}

impl Snapshot {
    /// Returns the planning problem of this moment.
    ///
    /// # Errors
    /// A message if the horizon ends beyond the year 9999.
    pub fn planning(&self) -> Result<Planning, jiff::Error> {
        let frame = Frame::new(&self.shop, self.now, self.shop.settings.horizon_days())?;
        let (mut orders, mut misfits) = (Vec::new(), Vec::new());
        let standing: Vec<&Held> = self.holds.iter().filter(|held| self.now < held.until).collect();
        let mut open: Vec<&OrderFacts> = self.orders.iter().chain(standing.iter().map(|held| &held.order)).collect();
        if !standing.is_empty() {
            // A hold has the place among them that its order will have.
            open.sort_by(|a, b| a.id.cmp(&b.id));
        }
        for facts in open.into_iter().filter(|facts| facts.state() == OrderState::Open) {
            match Order::new(facts.clone(), &self.shop) {
                Ok(order) => orders.push(order),
                Err(faults) => misfits.push(misfit(facts, &faults)),
            }
        }
        let published = self.published.as_ref().map(|plan| plan.at(self.now));
        let mut builder = Builder::new(self, published.as_ref(), &frame);
        for order in &orders {
            builder.add_order(order);
        }
        let technicians = builder.technicians;
        let bays = builder.bays;
        let problem = Problem::new(builder.data).expect("facts that fit their shop make a problem");
        let published = published.as_ref().map(|timetable| {
            let published = PublishedPlan { problem: &problem, frame: &frame, technicians: &technicians, bays: &bays };
            published.plan(timetable, &orders)
        });
        let held = standing.into_iter().map(|held| (held.order.id.clone(), held.until)).collect();
        Ok(Planning { problem, misfits, published, frame, orders, held })
    }
}

fn misfit(facts: &OrderFacts, faults: &[crate::Fault]) -> LeftOutOrder {
    let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
    LeftOutOrder {
        order: facts.id.clone(),
        reason: "ORDER_DOES_NOT_FIT_SHOP".into(),
        operation: None,
        message: format!("the shop has changed since the order was entered: {}", faults.join("; ")),
    }
}

impl Planning {
    /// Returns `plan` in names and instants. `left_out` are the planner's reasons, by order id.
    ///
    /// The plan is one for [`Planning::problem`] and has passed [`crate::check()`].
    pub fn timetable(&self, plan: &Plan, quality: Quality, bound: Cost, left_out: Vec<LeftOutOrder>) -> Timetable {
        let problem = &self.problem;
        let mut orders: Vec<OrderTimetable> = Vec::new();
        for ((car, _), order) in problem.cars.iter().zip(&self.orders) {
            let Some(completion) = plan.completion(problem, car) else { continue };
            let visits = problem.visits_of(car).iter().zip(&order.visits);
            let visits = visits.filter_map(|(&id, visit)| self.visit(plan, id, visit)).collect();
            let operations = problem.operations_of(car).iter().zip(&order.operations);
            let mut operations: Vec<OperationTimetable> =
                operations.filter_map(|(&id, operation)| self.operation(plan, id, operation)).collect();
            operations.sort_by_key(|operation| (operation.start_time, operation.end_time));
            orders.push(OrderTimetable {
                held_until: self.held.get(&order.id).copied(),
                order: order.id.clone(),
                vehicle: order.vehicle.clone(),
                arrival_time: order.arrival_time,
                promise_time: order.promise_time,
                completion_time: self.frame.instant(completion),
                visits,
                operations,
                delays: crate::delays::delays(problem, plan, car)
                    .into_iter()
                    .map(|delay| delay.named(problem, |time| self.frame.instant(time)))
                    .collect(),
            });
        }
        orders.sort_by(|a, b| (a.completion_time, &a.order).cmp(&(b.completion_time, &b.order)));
        Timetable {
            as_of_time: self.frame.instant(problem.now),
            horizon_time: self.frame.instant(problem.horizon),
            quality,
            price: crate::cost::price(problem, plan),
            bound,
            orders,
            left_out: self.misfits.iter().cloned().chain(left_out).collect(),
        }
    }

    /// Returns the instant at which a minute of the problem begins.
    pub fn instant(&self, time: Time) -> Timestamp {
        self.frame.instant(time)
    }

    /// Returns the minute in which an instant lies; negative before the origin.
    pub fn time(&self, instant: Timestamp) -> Time {
        self.frame.minute(instant)
    }

    fn visit(&self, plan: &Plan, id: VisitId, visit: &OrderVisit) -> Option<VisitTimetable> {
        let stay = plan.occupation(&self.problem, id)?;
        Some(VisitTimetable {
            visit: visit.id.clone(),
            bay: self.problem.bays[plan.bays[id]?].name.clone(),
            loose_parts: visit.loose_parts,
            start_time: self.frame.instant(stay.start()),
            end_time: self.frame.instant(stay.end()),
        })
    }

    fn operation(&self, plan: &Plan, id: OperationId, operation: &OrderOperation) -> Option<OperationTimetable> {
        let assignment = plan.operations[id].as_ref()?;
        let bay = self.problem.operations[id].visit.and_then(|visit| plan.bays[visit]);
        let name = if operation.display_name.is_empty() { &operation.id } else { &operation.display_name };
        let technician = |technician: &TechnicianId| self.problem.technicians[*technician].name.clone();
        Some(OperationTimetable {
            operation: operation.id.clone(),
            display_name: name.clone(),
            state: match operation.progress {
                // The rest of it is to be started.
                Progress::Waiting | Progress::Paused { .. } => OperationState::Planned,
                Progress::Running { .. } => OperationState::Running,
                Progress::Done { .. } => OperationState::Done,
            },
            visit: operation.visit.clone(),
            bay: bay.map(|bay| self.problem.bays[bay].name.clone()),
            start_time: self.frame.instant(assignment.start),
            end_time: self.frame.instant(assignment.end),
            technicians: assignment.technicians.iter().map(technician).collect(),
            overtime: assignment.overtime,
        })
    }
}
