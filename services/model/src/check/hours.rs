//! How long planned work takes and whether its crew is there.

use super::{Inspection, Rule};
use crate::calendar::Calendar;
use crate::keyed::{OperationId, TechnicianId};
use crate::plan::Assignment;
use crate::problem::Problem;
use crate::time::{Time, Window};

pub(super) fn check(inspection: &mut Inspection) {
    for (id, assignment) in inspection.planned() {
        let operation = &inspection.problem.operations[id];
        if assignment.end < assignment.start {
            let (name, start, end) =
                (inspection.operation(id), inspection.at(assignment.start), inspection.at(assignment.end));
            inspection.report(Rule::WrongLength, format!("{name} starts at {start} and ends before that, at {end}"));
        } else if operation.crew.is_empty() || !operation.interruptible {
            on_the_clock(inspection, id, assignment);
        } else {
            with_pauses(inspection, id, assignment);
        }
    }
}

/// Checks work that is done at one go.
fn on_the_clock(inspection: &mut Inspection, id: OperationId, assignment: &Assignment) {
    let name = inspection.operation(id);
    let window = assignment.window();
    let lasts = window.span().minutes();
    if let Some(needed) = needed(inspection.problem, id, &assignment.technicians).filter(|&needed| needed != lasts) {
        let at = inspection.window(window);
        inspection.report(Rule::WrongLength, format!("{name} lasts {lasts} minutes, {at}, and needs {needed}"));
    }
    if inspection.problem.operations[id].crew.is_empty() {
        return;
    }
    for person in inspection.people(assignment) {
        let calendar = calendar(inspection.problem, person, assignment.overtime);
        let inside = |open: &Window| open.start() <= window.start() && window.end() <= open.end();
        if !calendar.windows().iter().any(inside) {
            let away = lasts - open_minutes(&pieces(window, &[calendar]));
            let (person, at) = (inspection.technician(person), inspection.window(window));
            let kind = if assignment.overtime { "working time with overtime" } else { "regular working time" };
            let message =
                format!("{name}, {at}, is not inside one stretch of the {kind} of {person}: {away} minutes outside");
            inspection.report(Rule::OutsideCalendar, message);
        }
    }
}

/// Checks work that stops while one of its crew is away.
fn with_pauses(inspection: &mut Inspection, id: OperationId, assignment: &Assignment) {
    let name = inspection.operation(id);
    let people = inspection.people(assignment);
    for &person in &people {
        let calendar = calendar(inspection.problem, person, assignment.overtime);
        if !is_open(calendar, assignment.start) {
            let (person, start) = (inspection.technician(person), inspection.at(assignment.start));
            inspection.report(Rule::StartsWhileClosed, format!("{name} starts at {start} while {person} is away"));
        }
    }
    let Some(needed) = needed(inspection.problem, id, &assignment.technicians) else { return };
    let calendars: Vec<&Calendar> =
        people.iter().map(|&person| calendar(inspection.problem, person, assignment.overtime)).collect();
    let pieces = pieces(assignment.window(), &calendars);
    let worked = open_minutes(&pieces);
    let at = inspection.window(assignment.window());
    if worked != needed {
        let message = format!("{name} is worked on for {worked} minutes, {at}, and needs {needed}");
        inspection.report(Rule::WrongLength, message);
    } else if let Some((window, false)) = pieces.last() {
        let done = inspection.at(window.start());
        inspection.report(Rule::WrongLength, format!("{name} lasts {at} and is done at {done} already"));
    }
}

/// Returns the minutes that `operation` needs with `technicians`, pauses not counted; `None` if a place is empty or its
/// skill is missing.
fn needed(problem: &Problem, operation: OperationId, technicians: &[TechnicianId]) -> Option<i64> {
    let (work, crew) = (problem.operations[operation].work.minutes(), &problem.operations[operation].crew);
    let round_up = |value: i128, step: i128| (value + step - 1) / step * step;
    let grid = i128::from(problem.grid.minutes());
    if technicians.len() != crew.len() {
        return None;
    }
    let mut longest = if crew.is_empty() { i128::from(work) } else { 0 };
    for (&technician, skill) in technicians.iter().zip(crew) {
        let skills = &problem.technicians.get(technician)?.skills;
        let (_, efficiency) = skills.iter().find(|(own, _)| own == skill)?;
        let thousandths = i128::from(efficiency.0);
        longest = longest.max(round_up(i128::from(work) * 1000, thousandths) / thousandths);
    }
    i64::try_from(round_up(longest, grid)).ok()
}

fn calendar(problem: &Problem, technician: TechnicianId, overtime: bool) -> &Calendar {
    let technician = &problem.technicians[technician];
    &problem.calendars[technician.with_overtime.filter(|_| overtime).unwrap_or(technician.calendar)]
}

fn is_open(calendar: &Calendar, time: Time) -> bool {
    calendar.windows().iter().any(|open| open.start() <= time && time < open.end())
}

/// Cuts `span` wherever one of `calendars` opens or closes, and tells of each piece whether all of them are open in it.
fn pieces(span: Window, calendars: &[&Calendar]) -> Vec<(Window, bool)> {
    let mut cuts = vec![span.start(), span.end()];
    for open in calendars.iter().flat_map(|calendar| calendar.windows()) {
        cuts.extend([open.start(), open.end()].into_iter().filter(|&cut| span.start() < cut && cut < span.end()));
    }
    cuts.sort_unstable();
    cuts.dedup();
    let all_open = |time| calendars.iter().all(|calendar| is_open(calendar, time));
    cuts.windows(2).filter_map(|cut| Some((Window::new(cut[0], cut[1])?, all_open(cut[0])))).collect()
}

fn open_minutes(pieces: &[(Window, bool)]) -> i64 {
    pieces.iter().filter(|(_, open)| *open).map(|(piece, _)| piece.span().minutes()).sum()
}
