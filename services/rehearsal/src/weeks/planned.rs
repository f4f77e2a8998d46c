//! Dispatching by fitup: plan what is known, follow the plan, plan again when the day begins and when things have changed.

use fitup_model::keyed::{BayId, OperationId, TechnicianId, VisitId};
use fitup_model::{Plan, Span, Time};
use fitup_planner::replan::improved;
use fitup_planner::{Options, Stop};

use super::floor::Floor;
use super::known::{Intent, Known, Promises};
use super::policy::Policy;
use super::quoting::{Desk, Quoting, Told};

/// How often fitup plans, how hard it looks, and how its plan is followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Manner {
    /// Search iterations of a plan from the one before.
    pub iterations: u64,
    /// Iterations of the first one.
    pub first: u64,
    /// Least time between two plans of a day; the first is made when the day begins.
    pub every: Span,
    /// Work may start so long before its turn in the plan if all is there.
    pub pull: Span,
    /// A minute in the shop counts at least this much in the plans, whatever the orders say.
    pub flow: i64,
    /// Start of the random numbers of the search.
    pub seed: u64,
}

impl Default for Manner {
    fn default() -> Manner {
        Manner {
            iterations: 3000,
            first: 10_000,
            every: Span::from_minutes(120),
            pull: Span::from_minutes(240),
            flow: 1,
            seed: 1,
        }
    }
}

/// Dispatches by the plans of fitup.
#[derive(Debug)]
pub struct ByPlan {
    manner: Manner,
    intent: Intent,
    planned: Option<Time>,
    desk: Option<Desk>,
    /// Plans made.
    pub plans: u64,
}

impl ByPlan {
    /// Returns a dispatcher that has no plan yet.
    pub fn new(floor: &Floor, manner: Manner) -> ByPlan {
        ByPlan { manner, intent: Intent::none(floor.world.booked()), planned: None, desk: None, plans: 0 }
    }

    /// Returns a dispatcher that quotes for cars when they come and takes them in with a promise. It has seen enough when all
    /// that come before `until` are complete.
    pub fn quoting(floor: &Floor, manner: Manner, quoting: Quoting, until: Time) -> ByPlan {
        let desk = Desk::new(floor.world, quoting, until);
        ByPlan { desk: Some(desk), ..ByPlan::new(floor, manner) }
    }

    /// Returns what the cars were told, in the order in which they came.
    pub fn told(&self) -> &[Told] {
        self.desk.as_ref().map_or(&[], |desk| desk.told())
    }

    fn known(&self, floor: &Floor) -> Known {
        Known::of(floor, self.manner.flow, self.desk.as_ref().map_or(&Promises::new(), |desk| desk.promises()))
    }

    fn quote_all(&mut self, floor: &Floor) {
        let Some(mut desk) = self.desk.take() else { return };
        desk.take_note(floor);
        for car in desk.asking(floor) {
            let known = Known::of(floor, self.manner.flow, desk.promises());
            desk.quote(floor, car, &known, &mut self.intent);
        }
        self.desk = Some(desk);
    }

    fn plan(&mut self, floor: &Floor, stop: &dyn Stop) {
        let known = self.known(floor);
        let start: Plan = known.plan(&self.intent);
        let iterations = if self.plans == 0 { self.manner.first } else { self.manner.iterations };
        let options = Options {
            seed: self.manner.seed.wrapping_add(self.plans),
            iterations: Some(iterations),
            ..Options::default()
        };
        let found = improved(&known.problem, &start, &options, stop);
        known.intend(&found.plan, &mut self.intent);
        self.planned = Some(floor.now());
        self.plans += 1;
    }

    fn start_of(&self, operation: OperationId) -> Option<Time> {
        self.intent.operations[operation].as_ref().map(|assignment| assignment.start)
    }
}

impl Policy for ByPlan {
    fn look(&mut self, floor: &Floor, stop: &dyn Stop) -> Vec<Time> {
        self.quote_all(floor);
        let day = |time: Time| time.minutes().div_euclid(1440);
        let due = self.planned.is_none_or(|last| {
            day(last) < day(floor.now()) || floor.now() >= last + self.manner.every && !floor.open.is_empty()
        });
        if !due || floor.open.is_empty() {
            return Vec::new();
        }
        self.plan(floor, stop);
        let starts = floor.open.iter().flat_map(|&car| floor.world.booked().operations_of(car));
        starts.filter_map(|&id| self.start_of(id)).map(|start| start - Span::ZERO + -self.manner.pull).collect()
    }

    fn has_seen_enough(&self, floor: &Floor) -> bool {
        self.desk.as_ref().is_some_and(|desk| desk.has_seen_enough(floor))
    }

    fn turn(&self, floor: &Floor, operation: OperationId) -> Option<i64> {
        match self.start_of(operation) {
            Some(start) => (start <= floor.now() + self.manner.pull).then_some(start.minutes()),
            // What has come since the last plan, or found no room in it, goes behind.
            None => {
                let booked = floor.world.booked();
                Some(booked.horizon.minutes() + booked.cars[booked.operations[operation].car].arrival.minutes())
            }
        }
    }

    fn is_thought_through(&self, floor: &Floor, operation: OperationId) -> bool {
        self.start_of(operation).is_some_and(|start| start <= floor.now())
    }

    fn crew(&self, floor: &Floor, operation: OperationId, hot: bool) -> Option<Vec<TechnicianId>> {
        if let Some(assignment) = &self.intent.operations[operation] {
            if floor.can_all_start(operation, &assignment.technicians, hot) {
                return Some(assignment.technicians.clone());
            }
            if !hot && assignment.start > floor.now() {
                return None;
            }
        }
        floor.any_crew(operation, hot, &|_| true)
    }

    fn bay(&self, floor: &Floor, visit: VisitId) -> Option<BayId> {
        let planned = self.intent.bays[visit].filter(|&bay| floor.can_enter(visit, bay));
        planned.or_else(|| floor.any_bay(visit))
    }
}
