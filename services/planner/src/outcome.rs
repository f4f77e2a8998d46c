//! What the planner answers.

use fitup_model::keyed::{BayId, CarId, EquipmentId, OperationId, SkillId, TechnicianId, VisitId};
use fitup_model::{Cost, Plan, Violation};

use crate::bound::Prices;

/// What is being done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Building first plans.
    Construct,
    /// Improving the best plan.
    Improve,
    /// Raising the lower bound.
    Bound,
    /// Solving exactly.
    Exact,
}

/// How far the planner has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// What is being done.
    pub phase: Phase,
    /// Price of the best plan so far.
    pub price: Option<Cost>,
    /// No plan costs less than this.
    pub bound: Cost,
}

/// The answer of the planner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// No plan is better than this one.
    Optimal(Solved),
    /// A plan; a better one may exist.
    Feasible(Solved),
    /// What has happened already breaks the rules, whatever is planned for the rest.
    Infeasible(Vec<Violation>),
    /// Stopped before there was a plan.
    Unknown {
        /// No plan costs less than this.
        bound: Cost,
    },
}

impl Outcome {
    /// Returns the plan and what goes with it, if there is one.
    pub fn solved(&self) -> Option<&Solved> {
        match self {
            Outcome::Optimal(solved) | Outcome::Feasible(solved) => Some(solved),
            Outcome::Infeasible(_) | Outcome::Unknown { .. } => None,
        }
    }
}

/// A checked plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Solved {
    /// The plan; it breaks no rule.
    pub plan: Plan,
    /// Its price, that of [`fitup_model::cost::cost`].
    pub cost: Cost,
    /// No plan costs less than this.
    pub bound: Cost,
    /// The cars that it leaves out, in order of their keys.
    pub left_out: Vec<LeftOut>,
    /// Search iterations done, over all threads.
    pub iterations: u64,
    /// What an hour more of each person, skill, bay class and pool would be worth.
    pub prices: Prices,
}

impl Solved {
    /// Returns `(cost - bound) / cost`: by how much at most the plan is dearer than need be.
    pub fn gap(&self) -> f64 {
        gap(self.cost, self.bound)
    }
}

/// Returns the share of `price` that a better plan might save; 0 if `price` is proven to be the least.
pub fn gap(price: Cost, bound: Cost) -> f64 {
    if price <= bound { 0.0 } else { (price - bound) as f64 / price.max(1) as f64 }
}

/// A car that the plan leaves out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// Which car.
    pub car: CarId,
    /// Why.
    pub reason: LeftOutReason,
}

/// Why a car is left out: a code and one example.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LeftOutReason {
    /// Too few technicians have a skill that the crew of an operation needs.
    NoCrew {
        /// The operation.
        operation: OperationId,
        /// The skill that is short.
        skill: SkillId,
    },
    /// No crew of an operation has somebody of the crew before it, though it must.
    NoSamePerson {
        /// The operation.
        operation: OperationId,
    },
    /// No bay serves the class of a visit.
    NoBay {
        /// The visit.
        visit: VisitId,
    },
    /// A visit is pinned to a bay that does not serve its class.
    PinnedBay {
        /// The visit.
        visit: VisitId,
        /// The bay.
        bay: BayId,
    },
    /// A pool has fewer pieces than an operation needs.
    EquipmentShort {
        /// The operation.
        operation: OperationId,
        /// The pool.
        equipment: EquipmentId,
    },
    /// An operation that may not be interrupted is longer than any opening of its crew before the horizon.
    NoWindow {
        /// The operation.
        operation: OperationId,
    },
    /// A visit is longer than any opening of its bays.
    NoBayWindow {
        /// The visit.
        visit: VisitId,
    },
    /// An operation cannot end by the horizon, even in an empty shop.
    BeyondHorizon {
        /// The operation.
        operation: OperationId,
    },
    /// A technician to whom an operation is pinned lacks the skill of his place or stands twice in the crew.
    PinnedPerson {
        /// The operation.
        operation: OperationId,
        /// The technician.
        technician: TechnicianId,
    },
    /// The start to which an operation is pinned is too early for it: now, readiness or the work before it.
    PinnedTooEarly {
        /// The operation.
        operation: OperationId,
    },
    /// The rules of the car contradict one another or the state of the floor: not even alone can it be planned.
    Contradiction {
        /// The first operation that found no place.
        operation: OperationId,
    },
    /// No room was found beside the other cars.
    NoRoom {
        /// The first operation that found no place.
        operation: OperationId,
    },
}
