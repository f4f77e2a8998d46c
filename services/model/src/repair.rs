//! Changes of a problem that serve to repair a published plan: what is published is tied down, in part or as a whole.
//!
//! Every plan for a problem made here is one for the problem that it was made from, as long as it passes the checker
//! there: ties only take choices away.

use crate::calendar::Calendar;
use crate::keyed::{OperationId, TechnicianId};
use crate::plan::{Assignment, Plan};
use crate::problem::{BayChoice, Commitment, Problem, ProblemData, Ready, ReadyReason};
use crate::time::{Time, Window};

/// Returns `problem` with everything tied to its published people and bay, and to start no earlier than published:
/// planned in the old order, it is the old plan pushed to the right.
pub fn pushed_right(problem: &Problem, published: &Plan) -> Problem {
    let mut data = problem.clone().into_data();
    for (id, assignment) in planned(problem, published) {
        let operation = &mut data.operations[id];
        let start = assignment.start.ceil_to(data.grid);
        operation.ready.push(Ready { time: start, reason: ReadyReason::NotBefore });
        if operation.commitment == Commitment::Free && is_crew(problem, id, assignment) {
            operation.commitment =
                Commitment::Pinned { technicians: Some(assignment.technicians.clone()), start: None };
        }
    }
    tie_bays(problem, published, &mut data, |_| true);
    checked(data)
}

/// Returns `problem` with those planned operations tied to their published people, bay and start that `ties` picks, and
/// with changes of all others `factor` times as dear.
pub fn held(problem: &Problem, published: &Plan, factor: i64, ties: &dyn Fn(OperationId) -> bool) -> Problem {
    let mut data = problem.clone().into_data();
    for id in problem.operations.keys() {
        if let Some(published) = &mut data.operations[id].published {
            published.person_price *= factor;
            published.day_price *= factor;
        }
    }
    for id in problem.visits.keys() {
        if let Some(published) = &mut data.visits[id].published {
            published.price *= factor;
        }
    }
    for (id, assignment) in planned(problem, published).filter(|(id, _)| ties(*id)) {
        let pinned =
            Commitment::Pinned { technicians: Some(assignment.technicians.clone()), start: Some(assignment.start) };
        if assignment.start == assignment.start.ceil_to(data.grid) {
            data.operations[id].commitment = pinned;
        }
    }
    tie_bays(problem, published, &mut data, ties);
    checked(data)
}

/// Returns `problem` with no more overtime than `published` works.
pub fn without_new_overtime(problem: &Problem, published: Option<&Plan>) -> Problem {
    let mut data = problem.clone().into_data();
    let people: Vec<TechnicianId> = problem.technicians.keys().collect();
    for id in people {
        let technician = &problem.technicians[id];
        let Some(all) = technician.with_overtime else { continue };
        let worked = published.into_iter().flat_map(|plan| plan.operations.values().flatten());
        let worked = worked.filter(|assignment| assignment.overtime && assignment.technicians.contains(&id));
        let worked = Calendar::new(worked.map(Assignment::window).collect());
        let (regular, all) = (&problem.calendars[technician.calendar], &problem.calendars[all]);
        let open = regular.union(&all.intersection(&worked));
        data.technicians[id].with_overtime = (open != *regular).then(|| data.calendars.push(open));
    }
    checked(data)
}

/// Returns `problem` without the overtime that `technician` may work in `window`.
pub fn without_overtime_in(problem: &Problem, technician: TechnicianId, window: Window) -> Problem {
    let mut data = problem.clone().into_data();
    if let Some(all) = problem.technicians[technician].with_overtime {
        let regular = &problem.calendars[problem.technicians[technician].calendar];
        let extra = problem.calendars[all].minus(regular).minus(&Calendar::new(vec![window]));
        let open = regular.union(&extra);
        data.technicians[technician].with_overtime = (open != *regular).then(|| data.calendars.push(open));
    }
    checked(data)
}

/// Tells whether `plan` has an operation where, when and by whom it was published.
pub fn stays(problem: &Problem, published: &Plan, plan: &Plan, id: OperationId) -> bool {
    let same_bay = problem.operations[id].visit.is_none_or(|visit| published.bays[visit] == plan.bays[visit]);
    let same = |a: &Assignment, b: &Assignment| a.start == b.start && a.is_by(&b.technicians);
    match (&published.operations[id], &plan.operations[id]) {
        (Some(a), Some(b)) => same(a, b) && same_bay,
        _ => false,
    }
}

/// Returns the operations still to be started that `published` starts before `until`.
pub fn near(problem: &Problem, published: &Plan, until: Time) -> Vec<OperationId> {
    planned(problem, published).filter(|(_, assignment)| assignment.start < until).map(|(id, _)| id).collect()
}

/// Returns how many of the operations still to be started that `published` starts before `until` there are, and how many
/// of these `plan` moves: starts at another time, with other people or in another bay, or leaves out.
pub fn moved(problem: &Problem, published: &Plan, plan: &Plan, until: Time) -> (usize, usize) {
    let near = near(problem, published, until);
    (near.len(), near.iter().filter(|id| !stays(problem, published, plan, **id)).count())
}

/// Returns the operations that are published and have not started.
fn planned<'p>(problem: &'p Problem, plan: &'p Plan) -> impl Iterator<Item = (OperationId, &'p Assignment)> {
    let is_fact = |id| matches!(problem.operations[id].commitment, Commitment::Started { .. });
    plan.operations
        .iter()
        .filter_map(|(id, assignment)| Some((id, assignment.as_ref()?)))
        .filter(move |(id, _)| !is_fact(*id))
}

fn is_crew(problem: &Problem, id: OperationId, assignment: &Assignment) -> bool {
    problem.duration(id, &assignment.technicians).is_some()
}

fn tie_bays(problem: &Problem, published: &Plan, data: &mut ProblemData, of: impl Fn(OperationId) -> bool) {
    for (id, visit) in problem.visits.iter() {
        if visit.bay == BayChoice::Free
            && let Some(bay) = published.bays[id]
            && problem.bay_serves(bay, visit.class)
            && problem.operations_in(id).iter().any(|&operation| of(operation))
        {
            data.visits[id].bay = BayChoice::Pinned(bay);
        }
    }
}

fn checked(data: ProblemData) -> Problem {
    Problem::new(data).expect("a problem with fewer choices is one")
}
