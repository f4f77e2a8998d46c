//! The one place that computes the price of a plan.

use crate::keyed::{CarId, OperationId, VisitId};
use crate::plan::{Assignment, Plan};
use crate::problem::{Objective, Problem, SamePersonRule};
use crate::time::{Span, Time};

/// A price, or for [`Objective::Makespan`] a number of minutes. Smaller is better.
pub type Cost = i64;

/// The price of a plan, by what it is paid for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Price {
    /// `sum over cars of late_weight * max(0, completion - promise)`: `sum w_j T_j` of Graham et al. (1979),
    /// doi:10.1016/S0167-5060(08)70356-X.
    pub lateness: Cost,
    /// `sum over cars of flow_weight * (completion - arrival)`.
    pub flow: Cost,
    /// `overtime_weight` for each person's minute worked in overtime.
    pub overtime: Cost,
    /// Changes of what was published: people, bays, days.
    pub change: Cost,
    /// Preferences for the same person that were not met.
    pub same_person: Cost,
    /// Cars in no bay beyond the room outside.
    pub outside: Cost,
    /// Cars left out.
    pub left_out: Cost,
}

impl Price {
    /// Returns the sum of all parts.
    pub fn total(&self) -> Cost {
        self.lateness + self.flow + self.overtime + self.change + self.same_person + self.outside + self.left_out
    }
}

/// Returns what plans of `problem` are compared by: the total price, or the makespan in minutes.
///
/// With a makespan a car left out counts as `left_out_price` instead of its completion.
pub fn cost(problem: &Problem, plan: &Plan) -> Cost {
    match problem.objective {
        Objective::Price => price(problem, plan).total(),
        Objective::Makespan => {
            let completion = |car| plan.completion(problem, car).map_or(problem.left_out_price, Time::minutes);
            problem.cars.keys().map(completion).max().unwrap_or(0)
        }
    }
}

/// Returns the price of `plan`, by its parts.
pub fn price(problem: &Problem, plan: &Plan) -> Price {
    let mut price = Price::default();
    for (id, car) in problem.cars.iter() {
        let completion = plan.completion(problem, id);
        price.lateness += lateness(problem, id, completion.unwrap_or(problem.horizon));
        price.flow += car.flow_weight * (completion.unwrap_or(problem.horizon) - car.arrival).minutes().max(0);
        if completion.is_none() {
            price.left_out += problem.left_out_price;
        }
    }
    for id in problem.operations.keys() {
        let Some(assignment) = &plan.operations[id] else { continue };
        price.overtime += overtime(problem, assignment);
        price.change += operation_change(problem, id, assignment);
        price.same_person += same_person(problem, plan, id, assignment);
    }
    for id in problem.visits.keys() {
        price.change += visit_change(problem, plan, id);
    }
    price.outside = outside(problem, plan);
    price
}

/// Returns the price of the lateness of `car` if it is complete at `completion`.
pub fn lateness(problem: &Problem, car: CarId, completion: Time) -> Cost {
    let car = &problem.cars[car];
    car.promise.map_or(0, |promise| car.late_weight * (completion - promise).minutes().max(0))
}

/// Returns the price of the overtime worked in `assignment`.
///
/// Counted are the minutes in which the whole crew is there, and of these, for each person, those outside regular time.
pub fn overtime(problem: &Problem, assignment: &Assignment) -> Cost {
    if !assignment.overtime {
        return 0;
    }
    let span = crate::Calendar::always(assignment.start, assignment.end);
    let all = |id| {
        let technician = &problem.technicians[id];
        &problem.calendars[technician.with_overtime.unwrap_or(technician.calendar)]
    };
    let worked = assignment.technicians.iter().fold(span, |worked, &id| worked.intersection(all(id)));
    let extra = |id| worked.minus(&problem.calendars[problem.technicians[id].calendar]);
    let minutes: i64 =
        assignment.technicians.iter().flat_map(|&id| extra(id).windows().to_vec()).map(|w| w.span().minutes()).sum();
    problem.overtime_weight * minutes
}

/// Returns the price of what `assignment` changes of what was published for `operation`.
pub fn operation_change(problem: &Problem, operation: OperationId, assignment: &Assignment) -> Cost {
    let Some(published) = &problem.operations[operation].published else { return 0 };
    let gone = published.technicians.iter().filter(|technician| !assignment.technicians.contains(technician)).count();
    let moved = problem.day_of(published.start) != problem.day_of(assignment.start);
    published.person_price * gone as i64 + if moved { published.day_price } else { 0 }
}

/// Returns the price of what `plan` changes of the bay that was published for `visit`.
pub fn visit_change(problem: &Problem, plan: &Plan, visit: VisitId) -> Cost {
    match (problem.visits[visit].published, plan.bays[visit]) {
        (Some(published), Some(bay)) if published.bay != bay => published.price,
        _ => 0,
    }
}

fn same_person(problem: &Problem, plan: &Plan, operation: OperationId, assignment: &Assignment) -> Cost {
    let Some(wish) = problem.operations[operation].same_person else { return 0 };
    let SamePersonRule::Preferred(price) = wish.rule else { return 0 };
    let Some(earlier) = &plan.operations[wish.operation] else { return 0 };
    let met = earlier.technicians.iter().any(|technician| assignment.technicians.contains(technician));
    if met { 0 } else { price }
}

/// Returns the price of the cars on the premises that are in no bay, beyond the room for them.
///
/// A car is on the premises from its arrival (from now, if it is there already) to its completion, or to the horizon if
/// it is left out; loose parts in a bay do not bring the car inside.
fn outside(problem: &Problem, plan: &Plan) -> Cost {
    let Some(outside) = problem.outside else { return 0 };
    let mut steps: Vec<(Time, i64)> = Vec::new();
    for (id, car) in problem.cars.iter() {
        let from = car.arrival.max(problem.now);
        let until = plan.completion(problem, id).unwrap_or(problem.horizon);
        let mut add = |from: Time, until: Time, change: i64| {
            if from < until {
                steps.extend([(from, change), (until, -change)]);
            }
        };
        add(from, until, 1);
        for &visit in problem.visits_of(id).iter().filter(|&&visit| problem.visits[visit].on_vehicle) {
            if let Some(stay) = plan.occupation(problem, visit) {
                add(stay.start().max(from), stay.end().min(until), -1);
            }
        }
    }
    steps.sort_unstable();
    let (mut cost, mut count, mut last) = (0, 0, Time::ORIGIN);
    for (time, change) in steps {
        let excess = (count - i64::from(outside.limit)).max(0);
        cost += outside.weight * excess * (time - last).max(Span::ZERO).minutes();
        (count, last) = (count + change, time);
    }
    cost
}
