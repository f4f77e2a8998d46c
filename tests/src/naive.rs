//! The price of a plan, recomputed minute by minute from the words of the model.

use fitup_model::cost::Price;
use fitup_model::keyed::TechnicianId;
use fitup_model::problem::SamePersonRule;
use fitup_model::{Plan, Problem, Time};

/// Returns the price of `plan`, counted minute by minute.
pub fn price(problem: &Problem, plan: &Plan) -> Price {
    let mut price = Price::default();
    let end = |car| {
        let ends: Option<Vec<i64>> = problem
            .operations
            .iter()
            .filter(|(_, operation)| operation.car == car)
            .map(|(id, _)| plan.operations[id].as_ref().map(|assignment| assignment.end.minutes()))
            .collect();
        ends.map(|ends| ends.into_iter().max().unwrap_or(0))
    };
    let horizon = problem.horizon.minutes();
    for (id, car) in problem.cars.iter() {
        let complete = end(id).unwrap_or(horizon);
        price.left_out += if end(id).is_none() { problem.left_out_price } else { 0 };
        for minute in car.arrival.minutes()..complete {
            price.flow += car.flow_weight;
            price.lateness +=
                if car.promise.is_some_and(|promise| minute >= promise.minutes()) { car.late_weight } else { 0 };
        }
        // A promise can lie before the arrival.
        if let Some(promise) = car.promise {
            price.lateness += car.late_weight * (car.arrival.minutes().min(complete) - promise.minutes()).max(0);
        }
    }
    let open = |technician: TechnicianId, overtime: bool, minute: i64| {
        let technician = &problem.technicians[technician];
        let regular = &problem.calendars[technician.calendar];
        let calendar = technician.with_overtime.filter(|_| overtime).map_or(regular, |id| &problem.calendars[id]);
        calendar.windows().iter().any(|w| w.start().minutes() <= minute && minute < w.end().minutes())
    };
    for (id, operation) in problem.operations.iter() {
        let Some(assignment) = &plan.operations[id] else { continue };
        if assignment.overtime {
            for minute in assignment.start.minutes()..assignment.end.minutes() {
                let people = &assignment.technicians;
                if people.iter().all(|&person| open(person, true, minute)) {
                    let extra = people.iter().filter(|&&person| !open(person, false, minute)).count();
                    price.overtime += problem.overtime_weight * extra as i64;
                }
            }
        }
        if let Some(published) = &operation.published {
            for person in &published.technicians {
                price.change += if assignment.technicians.contains(person) { 0 } else { published.person_price };
            }
            let day = |time: Time| problem.days.iter().filter(|&&midnight| midnight <= time).count().max(1);
            price.change += if day(published.start) == day(assignment.start) { 0 } else { published.day_price };
        }
        if let Some(wish) = operation.same_person
            && let (SamePersonRule::Preferred(extra), Some(earlier)) = (wish.rule, &plan.operations[wish.operation])
            && !earlier.technicians.iter().any(|person| assignment.technicians.contains(person))
        {
            price.same_person += extra;
        }
    }
    for (id, visit) in problem.visits.iter() {
        if let (Some(published), Some(bay)) = (visit.published, plan.bays[id]) {
            price.change += if published.bay == bay { 0 } else { published.price };
        }
    }
    if let Some(outside) = problem.outside {
        for minute in problem.now.minutes().min(0)..horizon.max(1) * 2 {
            let there = problem.cars.iter().filter(|(id, car)| {
                let present = car.arrival.max(problem.now).minutes() <= minute && minute < end(*id).unwrap_or(horizon);
                present && !stands_in_a_bay(problem, plan, *id, minute)
            });
            price.outside += outside.weight * (there.count() as i64 - i64::from(outside.limit)).max(0);
        }
    }
    price
}

fn stands_in_a_bay(problem: &Problem, plan: &Plan, car: fitup_model::keyed::CarId, minute: i64) -> bool {
    problem.visits.iter().filter(|(_, visit)| visit.car == car && visit.on_vehicle).any(|(id, _)| {
        let own = problem.operations.iter().filter(|(_, operation)| operation.visit == Some(id));
        let assigned = own.filter_map(|(operation, _)| plan.operations[operation].as_ref()).collect::<Vec<_>>();
        assigned.iter().any(|a| a.start.minutes() <= minute) && assigned.iter().any(|a| minute < a.end.minutes())
    })
}
