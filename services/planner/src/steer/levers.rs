//! Which changes could bring a car forward, read off the chain that decides its completion, and the shop with one made.

use fitup_model::delays::{Cause, ChainDelay};
use fitup_model::keyed::{CarId, TechnicianId};
use fitup_model::problem::{Bay, ReadyReason, Technician};
use fitup_model::{Calendar, Plan, Problem, Span, Time, Window};

use super::{FIRST, Lever, distinct, skill_of};

const HOUR: Span = Span::from_minutes(60);
const DAY: Span = Span::from_minutes(1440);

/// Returns what is worth a try for a chain, those for its longest stretches first; the plan says who is on what.
pub(super) fn levers(problem: &Problem, plan: &Plan, car: CarId, chain: &[ChainDelay]) -> Vec<Lever> {
    let mut levers = Vec::new();
    let mut add = |lever: Lever| {
        if !levers.contains(&lever) {
            levers.push(lever);
        }
    };
    let mut others_hold = false;
    for delay in chain {
        let operation = &problem.operations[delay.operation];
        match &delay.cause {
            Cause::Part(name) => add(Lever::Part(name.clone())),
            Cause::Approval(name) => add(Lever::Approval(name.clone())),
            Cause::Bay(_, by) => {
                others_hold |= *by != car;
                operation.visit.into_iter().for_each(|visit| add(Lever::Bay(problem.visits[visit].class)));
            }
            Cause::Equipment(pool, by) => {
                others_hold |= *by != car;
                add(Lever::Equipment(*pool));
            }
            Cause::Technician(who, by) => {
                others_hold |= *by != car;
                let skill = skill_of(problem, plan, delay.operation, *who);
                skill.into_iter().for_each(|skill| add(Lever::Technician(skill, *who)));
            }
            Cause::Work | Cause::Cure | Cause::Closed | Cause::Settled | Cause::Other => {}
        }
        if let (true, Cause::Other) = (problem.cars.len() > 1, &delay.cause) {
            others_hold = true;
        }
    }
    // Overtime comes after what stands in the way by itself: there are many hours.
    if others_hold {
        add(Lever::First);
    }
    for delay in chain {
        let mut people = match &delay.cause {
            Cause::Work | Cause::Closed => plan.operations[delay.operation].as_ref().map(|a| a.technicians.clone()),
            Cause::Technician(who, _) => Some(vec![*who]),
            _ => None,
        };
        people = people.map(distinct).filter(|people| !people.is_empty());
        let Some(people) = people else { continue };
        for window in evenings(problem, people[0], delay.start, delay.end) {
            add(Lever::Overtime(people.clone(), window));
        }
    }
    levers
}

/// Returns the hours after closing time of somebody on the days whose closing lies in `[from, until]`.
fn evenings(problem: &Problem, who: TechnicianId, from: Time, until: Time) -> Vec<Window> {
    let calendar = &problem.calendars[problem.technicians[who].calendar];
    let windows = calendar.windows();
    let hour = HOUR.ceil_to(problem.grid);
    let closes = windows.iter().enumerate().filter(|(index, window)| {
        let next = windows.get(index + 1).map_or(problem.horizon, |next| next.start());
        let last_of_day = problem.day_of(window.end()) != problem.day_of(next) || next - window.end() > HOUR + HOUR;
        last_of_day && from <= window.end() && window.end() <= until && window.end() >= problem.now
    });
    let hours = closes.filter_map(|(_, window)| Window::new(window.end(), (window.end() + hour).min(problem.horizon)));
    hours.filter(|window| window.span() > Span::ZERO).collect()
}

/// Returns the shop with the change made; `None` if it cannot be.
pub(super) fn with(problem: &Problem, car: CarId, lever: &Lever) -> Option<Problem> {
    let mut data = problem.clone().into_data();
    match lever {
        Lever::Part(_) | Lever::Approval(_) => {
            let own = data.operations.keys().filter(|id| problem.operations[*id].car == car);
            for id in own.collect::<Vec<_>>() {
                for ready in &mut data.operations[id].ready {
                    let is_it = match (&ready.reason, lever) {
                        (ReadyReason::Part(id), Lever::Part(name)) => id == name,
                        (ReadyReason::Approval(id), Lever::Approval(name)) => id == name,
                        _ => false,
                    };
                    if is_it {
                        ready.time = Time::from_minutes(ready.time.minutes() - DAY.minutes()).max(problem.now);
                    }
                }
            }
        }
        Lever::First => {
            let car = &mut data.cars[car];
            car.late_weight *= FIRST;
            car.flow_weight = (car.flow_weight * FIRST).max(FIRST);
        }
        Lever::Overtime(people, window) => {
            for &who in people {
                let technician = &data.technicians[who];
                let before = &data.calendars[technician.with_overtime.unwrap_or(technician.calendar)];
                let all = before.union(&Calendar::new(vec![*window]));
                data.technicians[who].with_overtime = Some(data.calendars.push(all));
            }
        }
        Lever::Equipment(pool) => data.equipment[*pool].capacity += 1,
        Lever::Bay(class) => {
            let like = data.bays.values().find(|bay| bay.classes.contains(class))?.calendar;
            data.bays.push(Bay { name: "one more".into(), classes: vec![*class], calendar: like });
        }
        Lever::Technician(skill, like) => {
            let like = &data.technicians[*like];
            let skills = like.skills.iter().filter(|(own, _)| own == skill).copied().collect();
            let more = Technician { name: "one more".into(), skills, ..like.clone() };
            data.technicians.push(more);
        }
    }
    Problem::new(data).ok()
}
