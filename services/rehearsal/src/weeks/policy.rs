//! Ways to dispatch: what goes first, who does it, in which bay.

use fitup_model::keyed::{BayClassId, BayId, OperationId, TechnicianId, VisitId};
use fitup_model::{Problem, Time};
use fitup_planner::Stop;

use super::floor::Floor;

/// A way to dispatch. It sees the floor as it is known: nothing of what is still to come.
pub trait Policy {
    /// Takes note of the time; returns when it wants to look again.
    fn look(&mut self, _floor: &Floor, _stop: &dyn Stop) -> Vec<Time> {
        Vec::new()
    }

    /// Tells whether it has seen all that it wants to see: the weeks end then.
    fn has_seen_enough(&self, _floor: &Floor) -> bool {
        false
    }

    /// Returns the turn of work that is ready, smaller first; `None` if it is to wait.
    fn turn(&self, floor: &Floor, operation: OperationId) -> Option<i64>;

    /// Tells whether this work is at its place in a plan that has thought of what must follow it: then the floor does not
    /// ask whether there is time and room for that.
    fn is_thought_through(&self, _floor: &Floor, _operation: OperationId) -> bool {
        false
    }

    /// Returns the people who start an operation now, if there are any. `hot`: a longest wait runs out.
    fn crew(&self, floor: &Floor, operation: OperationId, hot: bool) -> Option<Vec<TechnicianId>> {
        floor.any_crew(operation, hot, &|_| true)
    }

    /// Returns the bay that a visit enters now, if there is one.
    fn bay(&self, floor: &Floor, visit: VisitId) -> Option<BayId> {
        floor.any_bay(visit)
    }
}

/// A habit that shops have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Habit {
    /// First in, first out.
    FirstIn,
    /// The earliest promise first.
    EarliestPromise,
    /// What has waited longest for the booth first, and what is not for the booth in the order in which it came.
    LongestAtBooth,
}

impl Habit {
    /// All of them.
    pub const ALL: [Habit; 3] = [Habit::FirstIn, Habit::EarliestPromise, Habit::LongestAtBooth];
}

/// Dispatches by a habit.
#[derive(Debug)]
pub struct ByHabit {
    habit: Habit,
    booth: Option<BayClassId>,
}

impl ByHabit {
    /// Returns the habit in the shop of `problem`. Its booth is the class of which the bays are booked most.
    pub fn new(habit: Habit, problem: &Problem) -> ByHabit {
        let booked = |class: BayClassId| {
            let visits = problem.visits.iter().filter(|(_, visit)| visit.class == class);
            let works = visits.flat_map(|(id, _)| problem.operations_in(id));
            let work: i64 = works.map(|&id| problem.operations[id].work.minutes()).sum();
            let bays = problem.bays.values().filter(|bay| bay.classes.contains(&class)).count();
            work / bays.max(1) as i64
        };
        let named = problem.bay_classes.iter().find(|(_, name)| name.as_str() == "booth").map(|(id, _)| id);
        let booth = named.or_else(|| problem.bay_classes.keys().max_by_key(|class| booked(*class)));
        ByHabit { habit, booth }
    }
}

impl Policy for ByHabit {
    fn turn(&self, floor: &Floor, operation: OperationId) -> Option<i64> {
        let problem = floor.world.booked();
        let data = &problem.operations[operation];
        let car = &problem.cars[data.car];
        let came = car.arrival.minutes();
        Some(match self.habit {
            Habit::FirstIn => came,
            Habit::EarliestPromise => car.promise.unwrap_or(problem.horizon).minutes(),
            Habit::LongestAtBooth => match data.visit {
                Some(visit) if Some(problem.visits[visit].class) == self.booth => {
                    floor.ready_since(operation).map_or(came, Time::minutes)
                }
                _ => came,
            },
        })
    }
}
