//! From a published timetable back to a plan.

use std::collections::HashMap;

use crate::keyed::{BayId, TechnicianId};
use crate::order::Order;
use crate::plan::{Assignment, Plan};
use crate::problem::Problem;
use crate::timetable::{OperationTimetable, Timetable};
use crate::week::Frame;

/// What it takes to read a published timetable as a plan.
pub(super) struct PublishedPlan<'a> {
    pub(super) problem: &'a Problem,
    pub(super) frame: &'a Frame,
    pub(super) technicians: &'a HashMap<&'a str, TechnicianId>,
    pub(super) bays: &'a HashMap<&'a str, BayId>,
}

impl PublishedPlan<'_> {
    /// Returns `timetable` with what has started since as it is, and without what the problem does not know.
    pub(super) fn plan(&self, timetable: &Timetable, orders: &[Order]) -> Plan {
        let mut plan = Plan::nothing_new(self.problem);
        for (car, order) in self.problem.cars.keys().zip(orders) {
            let Some(published) = timetable.orders.iter().find(|other| other.order == order.id) else { continue };
            for (&id, operation) in self.problem.operations_of(car).iter().zip(&order.operations) {
                let published = published.operations.iter().find(|other| other.operation == operation.id);
                if plan.operations[id].is_none() {
                    plan.operations[id] = published.and_then(|published| self.assignment(published));
                }
            }
            for (&id, visit) in self.problem.visits_of(car).iter().zip(&order.visits) {
                let published = published.visits.iter().find(|other| other.visit == visit.id);
                let bay = published.and_then(|published| self.bays.get(published.bay.as_str())).copied();
                plan.bays[id] = plan.bays[id].or(bay);
            }
        }
        plan
    }

    fn assignment(&self, published: &OperationTimetable) -> Option<Assignment> {
        let people = published.technicians.iter().map(|id| self.technicians.get(id.as_str()).copied());
        Some(Assignment {
            start: self.frame.minute(published.start_time),
            end: self.frame.minute(published.end_time),
            technicians: people.collect::<Option<_>>()?,
            overtime: published.overtime,
        })
    }
}
