//! Why orders are left out of a plan, in words: which operation, which rule, and what would mend it.

use fitup_model::Problem;
use fitup_model::keyed::{CarId, OperationId};
use fitup_model::problem::Commitment;
use fitup_model::timetable::LeftOutOrder;
use fitup_planner::{LeftOut, LeftOutReason};

/// Returns the planner's reasons in the names of `problem`, in the planner's order.
pub fn describe(problem: &Problem, left_out: &[LeftOut]) -> Vec<LeftOutOrder> {
    left_out.iter().map(|left_out| order(problem, left_out)).collect()
}

fn order(problem: &Problem, left_out: &LeftOut) -> LeftOutOrder {
    let id = |name: &str| name.split_once('/').map_or(name, |(_, id)| id).to_owned();
    let operation = |key| id(&problem.operations[key].name);
    let visit = |key| id(&problem.visits[key].name);
    let class = |key| &problem.bay_classes[problem.visits[key].class];
    let (code, about, message) = match &left_out.reason {
        LeftOutReason::NoCrew { operation: key, skill } => (
            "NO_CREW",
            Some(operation(*key)),
            format!(
                "operation {:?} needs more people with skill {:?} than there are; give the skill to another technician, or \
                 ask for a smaller crew",
                operation(*key),
                problem.skills[*skill]
            ),
        ),
        LeftOutReason::NoSamePerson { operation: key } => (
            "NO_SAME_PERSON",
            Some(operation(*key)),
            format!(
                "operation {:?} must have somebody of an earlier crew, and none of them can do it; give one of them the \
                 skill, or make it a wish instead of a rule",
                operation(*key)
            ),
        ),
        LeftOutReason::NoBay { visit: key } => (
            "NO_BAY",
            None,
            format!(
                "visit {:?} needs a bay of class {:?}, and no bay serves as one; add the class to a bay, or change the \
                 visit",
                visit(*key),
                class(*key)
            ),
        ),
        LeftOutReason::PinnedBay { visit: key, bay } => (
            "PINNED_BAY",
            None,
            format!(
                "visit {:?} is pinned to bay {:?}, which does not serve as class {:?}; unpin it, or add the class to the bay",
                visit(*key),
                problem.bays[*bay].name,
                class(*key)
            ),
        ),
        LeftOutReason::EquipmentShort { operation: key, equipment } => (
            "EQUIPMENT_SHORT",
            Some(operation(*key)),
            format!(
                "operation {:?} needs more pieces of {:?} than the {} there are; lower the count, or add a piece",
                operation(*key),
                problem.equipment[*equipment].name,
                problem.equipment[*equipment].capacity
            ),
        ),
        LeftOutReason::NoWindow { operation: key } => (
            "NO_WINDOW",
            Some(operation(*key)),
            format!(
                "operation {:?} may not be interrupted and is longer than its crew is ever at work before the plan's end; \
                 allow interruption, split it, or open overtime",
                operation(*key)
            ),
        ),
        LeftOutReason::NoBayWindow { visit: key } => (
            "NO_BAY_WINDOW",
            None,
            format!(
                "visit {:?} takes longer than any bay of class {:?} is free of downtime; move a downtime, or split the visit",
                visit(*key),
                class(*key)
            ),
        ),
        LeftOutReason::BeyondHorizon { operation: key } => (
            "BEYOND_HORIZON",
            Some(operation(*key)),
            format!(
                "operation {:?} cannot end before the plan does, even in an empty shop; plan more days (horizon_days), or \
                 get its parts and approvals earlier",
                operation(*key)
            ),
        ),
        LeftOutReason::PinnedPerson { operation: key, technician } => (
            "PINNED_PERSON",
            Some(operation(*key)),
            format!(
                "operation {:?} is pinned to {:?}, who lacks the skill or stands in its crew twice; unpin it, or give them \
                 the skill",
                operation(*key),
                problem.technicians[*technician].name
            ),
        ),
        LeftOutReason::PinnedTooEarly { operation: key } => (
            "PINNED_TOO_EARLY",
            Some(operation(*key)),
            format!(
                "operation {:?} is pinned to a start that has passed, or that comes before the work and parts it needs; \
                 unpin it, or pin a later start",
                operation(*key)
            ),
        ),
        LeftOutReason::Contradiction { operation: key } => (
            "CONTRADICTION",
            Some(operation(*key)),
            format!(
                "operation {:?} finds no place even if no other car were there: its waits, pins and hours contradict one \
                 another{}; lengthen a longest wait, or remove a pin",
                operation(*key),
                running_out(problem, left_out.car)
            ),
        ),
        LeftOutReason::NoRoom { operation: key } => (
            "NO_ROOM",
            Some(operation(*key)),
            format!(
                "operation {:?} finds no place beside the other cars before the plan ends{}; plan more days \
                 (horizon_days), remove a pin, or open overtime",
                operation(*key),
                running_out(problem, left_out.car)
            ),
        ),
    };
    LeftOutOrder { order: problem.cars[left_out.car].name.clone(), reason: code.to_owned(), operation: about, message }
}

/// Names the longest waits of a car that have begun to run: what is done cannot be moved any more.
fn running_out(problem: &Problem, car: CarId) -> String {
    let id = |key: OperationId| problem.operations[key].name.split_once('/').map_or("", |(_, id)| id);
    let is_started = |key: OperationId| matches!(problem.operations[key].commitment, Commitment::Started { .. });
    let of_car = problem.links.iter().filter(|link| problem.operations[link.to].car == car);
    let running = of_car.filter(|link| is_started(link.from) && !is_started(link.to)).filter_map(|link| {
        let minutes = link.max_wait?.minutes();
        let wait = if minutes % 60 == 0 { format!("{} h", minutes / 60) } else { format!("{minutes} min") };
        Some(format!("{:?} has to begin within {wait} of {:?}, which has begun", id(link.to), id(link.from)))
    });
    let running: Vec<String> = running.collect();
    if running.is_empty() { String::new() } else { format!(" ({})", running.join("; ")) }
}

#[cfg(test)]
mod tests {
    use fitup_model::keyed::{BayId, CarId, EquipmentId, Key, OperationId, SkillId, TechnicianId, VisitId};
    use fitup_model::problem::{Bay, BayChoice, Car, Commitment, Equipment, Operation, ProblemData, Technician, Visit};
    use fitup_model::{Calendar, Span, Time};

    use super::*;

    /// Returns a problem with one of everything.
    fn problem() -> Problem {
        let mut data = ProblemData::empty(Span::from_minutes(5), Time::from_minutes(1440));
        let calendar = data.calendars.push(Calendar::always(Time::ORIGIN, Time::from_minutes(1440)));
        let skill = data.skills.push("frame".into());
        let class = data.bay_classes.push("rack".into());
        data.bays.push(Bay { name: "stall-1".into(), classes: vec![class], calendar });
        data.equipment.push(Equipment { name: "welder".into(), capacity: 2, outages: vec![] });
        data.technicians.push(Technician { name: "ada".into(), calendar, with_overtime: None, skills: vec![] });
        let car = data.cars.push(Car {
            name: "r-1".into(),
            arrival: Time::ORIGIN,
            promise: None,
            late_weight: 1,
            flow_weight: 1,
        });
        let visit = data.visits.push(Visit {
            name: "r-1/pulling".into(),
            car,
            class,
            on_vehicle: true,
            family: None,
            bay: BayChoice::Free,
            published: None,
        });
        data.operations.push(Operation {
            name: "r-1/pull".into(),
            car,
            visit: Some(visit),
            work: Span::from_minutes(60),
            spread: None,
            crew: vec![skill],
            equipment: vec![],
            interruptible: false,
            ready: vec![],
            commitment: Commitment::Free,
            same_person: None,
            published: None,
        });
        Problem::new(data).expect("a problem without faults")
    }

    #[test]
    fn each_reason_names_what_it_is_about_and_what_would_mend_it() {
        let problem = problem();
        let operation = OperationId::from_index(0);
        let visit = VisitId::from_index(0);
        let check = |reason: LeftOutReason, code: &str, about: Option<&str>, words: &[&str]| {
            let left_out = LeftOut { car: CarId::from_index(0), reason };
            let described = &describe(&problem, &[left_out])[0];
            assert_eq!((described.order.as_str(), described.reason.as_str()), ("r-1", code));
            assert_eq!(described.operation.as_deref(), about);
            for word in words {
                assert!(described.message.contains(word), "{word} is not in {:?}", described.message);
            }
            assert!(described.message.contains("; ") && !described.message.ends_with('.'), "{:?}", described.message);
        };
        let pull = Some("pull");
        let skill = SkillId::from_index(0);
        check(LeftOutReason::NoCrew { operation, skill }, "NO_CREW", pull, &["\"pull\"", "\"frame\""]);
        check(LeftOutReason::NoSamePerson { operation }, "NO_SAME_PERSON", pull, &["\"pull\""]);
        check(LeftOutReason::NoBay { visit }, "NO_BAY", None, &["\"pulling\"", "\"rack\""]);
        let bay = BayId::from_index(0);
        check(LeftOutReason::PinnedBay { visit, bay }, "PINNED_BAY", None, &["\"pulling\"", "\"stall-1\"", "\"rack\""]);
        let equipment = EquipmentId::from_index(0);
        let short = LeftOutReason::EquipmentShort { operation, equipment };
        check(short, "EQUIPMENT_SHORT", pull, &["\"pull\"", "\"welder\"", "2 there are"]);
        check(LeftOutReason::NoWindow { operation }, "NO_WINDOW", pull, &["\"pull\"", "interruption"]);
        check(LeftOutReason::NoBayWindow { visit }, "NO_BAY_WINDOW", None, &["\"pulling\"", "\"rack\"", "downtime"]);
        check(LeftOutReason::BeyondHorizon { operation }, "BEYOND_HORIZON", pull, &["\"pull\"", "horizon_days"]);
        let technician = TechnicianId::from_index(0);
        let pinned = LeftOutReason::PinnedPerson { operation, technician };
        check(pinned, "PINNED_PERSON", pull, &["\"pull\"", "\"ada\""]);
        check(LeftOutReason::PinnedTooEarly { operation }, "PINNED_TOO_EARLY", pull, &["\"pull\"", "later start"]);
        check(LeftOutReason::Contradiction { operation }, "CONTRADICTION", pull, &["\"pull\""]);
        check(LeftOutReason::NoRoom { operation }, "NO_ROOM", pull, &["\"pull\"", "horizon_days"]);
    }
}
