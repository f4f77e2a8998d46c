//! Why orders are left out of a plan, in words: which operation, which rule, and what would mend it.

use fitup_model::Problem;
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
                 another; lengthen a longest wait, or remove a pin",
                operation(*key)
            ),
        ),
        LeftOutReason::NoRoom { operation: key } => (
            "NO_ROOM",
            Some(operation(*key)),
            format!(
                "operation {:?} finds no place beside the other cars before the plan ends; plan more days (horizon_days), \
                 remove a pin, or open overtime",
                operation(*key)
            ),
        ),
    };
    LeftOutOrder { order: problem.cars[left_out.car].name.clone(), reason: code.to_owned(), operation: about, message }
}
