//! A plan: who does what, where and when.

use crate::keyed::{BayId, CarId, KeyedVec, OperationId, TechnicianId, VisitId};
use crate::problem::{Commitment, Problem};
use crate::time::{Time, Window};

/// When an operation runs and who is on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assignment {
    /// First minute.
    pub start: Time,
    /// The minute after the last.
    pub end: Time,
    /// One technician for each place of the crew, in its order.
    pub technicians: Vec<TechnicianId>,
    /// Whether the overtime of the crew counts as open.
    pub overtime: bool,
}

impl Assignment {
    /// Returns `[start, end)`; empty if the plan is broken.
    pub fn window(&self) -> Window {
        Window::new(self.start, self.end.max(self.start)).expect("ends no earlier than it starts")
    }

    /// Tells whether the same people do it, whoever has which place of the crew: as the price of a change counts them.
    pub fn is_by(&self, technicians: &[TechnicianId]) -> bool {
        self.technicians.len() == technicians.len() && self.technicians.iter().all(|own| technicians.contains(own))
    }
}

/// A plan for a problem. It means nothing by itself: [`crate::check()`] says whether it keeps the rules.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// The assignment of each operation. A car is planned as a whole or left out: then what has started is all there is.
    pub operations: KeyedVec<OperationId, Option<Assignment>>,
    /// The bay of each visit of the planned cars, and of what was entered by those left out.
    pub bays: KeyedVec<VisitId, Option<BayId>>,
}

impl Plan {
    /// Returns a plan that leaves out every car and keeps what has started.
    pub fn nothing_new(problem: &Problem) -> Plan {
        let operations = problem
            .operations
            .values()
            .map(|operation| match &operation.commitment {
                Commitment::Started { start, end, technicians } => {
                    Some(Assignment { start: *start, end: *end, technicians: technicians.clone(), overtime: false })
                }
                Commitment::Free | Commitment::Pinned { .. } => None,
            })
            .collect();
        let bays = problem
            .visits
            .values()
            .map(|visit| match visit.bay {
                crate::problem::BayChoice::Entered(bay) => Some(bay),
                _ => None,
            })
            .collect();
        Plan { operations, bays }
    }

    /// Tells whether every operation of `car` has an assignment.
    pub fn includes(&self, problem: &Problem, car: CarId) -> bool {
        problem.operations_of(car).iter().all(|&operation| self.operations[operation].is_some())
    }

    /// Returns when the last operation of `car` ends, `None` if the car is left out.
    pub fn completion(&self, problem: &Problem, car: CarId) -> Option<Time> {
        let mut last = None;
        for &operation in problem.operations_of(car) {
            last = last.max(Some(self.operations[operation].as_ref()?.end));
        }
        last
    }

    /// Returns the time for which `visit` holds its bay: first start to last end of its assigned operations.
    pub fn occupation(&self, problem: &Problem, visit: VisitId) -> Option<Window> {
        let assigned = || problem.operations_in(visit).iter().filter_map(|&id| self.operations[id].as_ref());
        let start = assigned().map(|assignment| assignment.start).min()?;
        let end = assigned().map(|assignment| assignment.end).max()?;
        Window::new(start, end.max(start))
    }
}
