//! Booked against open hours by bay class, skill and day, and what one more hour of each is worth.
//!
//! Both ways to say what an hour is worth are told. The *price* is what the multipliers of the bound ask for the dearest
//! hour of the day, of one more bay of the class or of one more person like the dearest who has the skill. With `z` the
//! price of the best plan, `L` the bound by the same multipliers and `p` that price, the hour saves the best plan at most
//! `(z - L) + p`, and never less than nothing: see [`crate::bound::prices`] for why, and where it is an estimate. What is
//! *saved* is found by planning the shop with that very hour added: a short search, warm, counted in iterations, and
//! measured against a plan from which a search as long finds nothing more. Prices are worked out anew when they are asked for: they are those of
//! the hours that are left now, which those of the time when the plan was made are not.

use fitup_model::keyed::{BayClassId, BayId, SkillId, TechnicianId};
use fitup_model::problem::{Bay, Technician};
use fitup_model::{Calendar, Cost, Plan, Problem, Span, Time, Window, cost};

use crate::bound::certificate::{Certificate, Held};
use crate::bound::{Bounder, Scarce};
use crate::compile::Compiled;
use crate::steer::{settled, solve};
use crate::{Stop, Switches};

/// Looks at the multipliers.
const LOOKS: u32 = 120;

/// One bay class or skill on one day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// A bay class or a skill.
    pub resource: Scarce,
    /// The part of the day that is ahead.
    pub day: Window,
    /// Booked.
    pub booked: Span,
    /// Open, booked or not.
    pub open: Span,
    /// Part of this for which the same people or bays are booked otherwise.
    pub elsewhere: Span,
    /// What one more hour is worth at most, beside the gap.
    pub price: Cost,
    /// The hour, and whose it would be like; for bays nobody's.
    pub hour: Option<(Window, Option<TechnicianId>)>,
    /// What was saved with it, if that was tried.
    pub saved: Option<Cost>,
}

/// Booked against open hours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Load {
    /// By resource and day, those with something booked or worth something.
    pub rows: Vec<Row>,
    /// What the shop costs if it is planned again as it is.
    pub base: Option<Cost>,
    /// What no plan costs less than by these prices.
    pub bound: Option<Cost>,
}

/// Returns the load of `plan`, and tries an hour more for the `checks` rows that are worth most.
pub fn load(problem: &Problem, plan: &Plan, checks: usize, stop: &dyn Stop) -> Load {
    let mut rows = booked(problem, plan);
    let first = settled(problem, plan, stop);
    let base = first.as_ref().map(|base| cost::cost(problem, base));
    let compiled = Compiled::new(problem);
    let mut bounder = Bounder::new(&compiled, Switches::default());
    bounder.advance(base, LOOKS, stop);
    let certificate = bounder.certificate(stop);
    if let Some(certificate) = &certificate {
        rows.iter_mut().for_each(|row| price(problem, certificate, row));
    }
    let mut dearest: Vec<usize> = (0..rows.len()).filter(|&index| rows[index].price > 0).collect();
    dearest.sort_by_key(|&index| (std::cmp::Reverse(rows[index].price), index));
    for index in dearest.into_iter().take(checks) {
        let (Some(first), Some(base)) = (&first, base) else { break };
        let Some(more) = with_hour(problem, &rows[index]) else { continue };
        if let Some(plan) = solve(&more, first, stop) {
            // The plan without the hour is still one.
            rows[index].saved = Some((base - cost::cost(&more, &plan)).max(0));
        }
    }
    rows.retain(|row| row.booked > Span::ZERO || row.price > 0);
    Load { rows, base, bound: certificate.map(|certificate| certificate.bound) }
}

/// Returns what is booked of what is open, without prices.
///
/// Bays hold cars overnight; their hours count while somebody is at work, open and booked alike. A person counts with
/// each of his skills.
pub fn booked(problem: &Problem, plan: &Plan) -> Vec<Row> {
    let at_work = problem
        .technicians
        .values()
        .fold(Calendar::default(), |all, technician| all.union(&problem.calendars[technician.calendar]));
    let stays: Vec<(BayClassId, BayId, Window)> = (problem.visits.iter())
        .filter_map(|(id, visit)| Some((visit.class, plan.bays[id]?, plan.occupation(problem, id)?)))
        .collect();
    let mut work: Vec<(SkillId, TechnicianId, Calendar)> = Vec::new();
    for (id, operation) in problem.operations.iter() {
        let Some(assignment) = plan.operations[id].as_ref() else { continue };
        for (&skill, &who) in operation.crew.iter().zip(&assignment.technicians) {
            let technician = &problem.technicians[who];
            let own = technician.with_overtime.filter(|_| assignment.overtime).unwrap_or(technician.calendar);
            let busy = Calendar::new(vec![assignment.window()]);
            // Work that must not stop, and overtime, may lie outside the calendar.
            let in_hours = if operation.interruptible { busy.intersection(&problem.calendars[own]) } else { busy };
            work.push((skill, who, in_hours));
        }
    }
    let mut rows = Vec::new();
    let days: Vec<Window> = days(problem);
    for class in problem.bay_classes.keys() {
        let hours = |bay: BayId| problem.calendars[problem.bays[bay].calendar].intersection(&at_work);
        let bays: Vec<BayId> = problem.bays.keys().filter(|&bay| problem.bay_serves(bay, class)).collect();
        for &day in &days {
            let held = |stays: &mut dyn Iterator<Item = &(BayClassId, BayId, Window)>| {
                stays.map(|(_, bay, stay)| within(&Calendar::new(vec![*stay]).intersection(&hours(*bay)), day)).sum()
            };
            rows.push(Row {
                resource: Scarce::BayClass(class),
                day,
                booked: minutes(held(&mut stays.iter().filter(|(own, ..)| *own == class))),
                open: minutes(bays.iter().map(|&bay| within(&hours(bay), day)).sum()),
                elsewhere: minutes(held(&mut stays.iter().filter(|(own, bay, _)| *own != class && bays.contains(bay)))),
                price: 0,
                hour: None,
                saved: None,
            });
        }
    }
    for skill in problem.skills.keys() {
        let able = |who: TechnicianId| problem.efficiency(who, skill).is_some();
        for &day in &days {
            let sum = |wanted: &dyn Fn(&(SkillId, TechnicianId, Calendar)) -> bool| {
                minutes(work.iter().filter(|own| wanted(own)).map(|(_, _, busy)| within(busy, day)).sum())
            };
            let people = problem.technicians.iter().filter(|(who, _)| able(*who));
            rows.push(Row {
                resource: Scarce::Skill(skill),
                day,
                booked: sum(&|own| own.0 == skill),
                open: minutes(people.map(|(_, one)| within(&problem.calendars[one.calendar], day)).sum()),
                elsewhere: sum(&|own| own.0 != skill && able(own.1)),
                price: 0,
                hour: None,
                saved: None,
            });
        }
    }
    rows
}

/// Returns what is ahead of each day.
fn days(problem: &Problem) -> Vec<Window> {
    let ends = problem.days.iter().skip(1).copied().chain([problem.horizon]);
    let days = problem.days.iter().zip(ends);
    let ahead = days.filter_map(|(&start, end)| Window::new(start.max(problem.now), end.min(problem.horizon)));
    ahead.filter(|day| day.span() > Span::ZERO).collect()
}

fn within(calendar: &Calendar, day: Window) -> i64 {
    let parts = calendar.windows().iter().map(|own| overlap(*own, day));
    parts.sum()
}

fn overlap(one: Window, other: Window) -> i64 {
    (one.end().min(other.end()) - one.start().max(other.start())).minutes().max(0)
}

fn minutes(sum: i64) -> Span {
    Span::from_minutes(sum)
}

/// Finds the dearest hour of a row.
fn price(problem: &Problem, certificate: &Certificate, row: &mut Row) {
    let mut best: Option<(i128, Window, Option<TechnicianId>)> = None;
    let mut offer = |calendar: &Calendar, who: Option<TechnicianId>, held: &dyn Fn(&Held) -> bool| {
        for hour in hours(problem, calendar, row.day) {
            let prices = certificate.prices.iter().filter(|price| held(&price.held));
            let worth = prices.map(|price| i128::from(price.minute) * i128::from(overlap(price.window, hour))).sum();
            if worth > best.map_or(0, |(most, ..)| most) {
                best = Some((worth, hour, who));
            }
        }
    };
    match row.resource {
        Scarce::BayClass(class) => {
            let bays: Vec<BayId> = problem.bays.keys().filter(|&bay| problem.bay_serves(bay, class)).collect();
            let held = |held: &Held| matches!(held, Held::Bays(set) if bays.iter().all(|bay| set.contains(bay)));
            let open = bays.first().map(|bay| &problem.calendars[problem.bays[*bay].calendar]);
            open.into_iter().for_each(|open| offer(open, None, &held));
        }
        Scarce::Skill(skill) => {
            for (who, technician) in problem.technicians.iter() {
                if problem.efficiency(who, skill).is_some() {
                    offer(&problem.calendars[technician.calendar], Some(who), &|held| *held == Held::Person(who));
                }
            }
        }
        Scarce::Person(_) | Scarce::Equipment(_) => {}
    }
    if let Some((worth, hour, who)) = best {
        let scale = i128::from(certificate.scale);
        row.price = Cost::try_from((worth + scale - 1) / scale).unwrap_or(Cost::MAX);
        row.hour = Some((hour, who));
    }
}

/// Returns the whole hours of a day in which `calendar` is open, one after the other from each opening on.
fn hours(problem: &Problem, calendar: &Calendar, day: Window) -> Vec<Window> {
    let length = Span::from_minutes(60).ceil_to(problem.grid);
    let mut hours = Vec::new();
    for open in calendar.windows() {
        let mut start: Time = open.start().max(day.start()).ceil_to(problem.grid);
        while start + length <= open.end().min(day.end()) {
            hours.extend(Window::new(start, start + length));
            start += length;
        }
    }
    hours
}

/// Returns the shop with the hour of a row added.
fn with_hour(problem: &Problem, row: &Row) -> Option<Problem> {
    let (hour, like) = row.hour?;
    let mut data = problem.clone().into_data();
    let calendar = data.calendars.push(Calendar::new(vec![hour]));
    match (row.resource, like) {
        (Scarce::BayClass(class), _) => {
            data.bays.push(Bay { name: "one more".into(), classes: vec![class], calendar });
        }
        (Scarce::Skill(_), Some(who)) => {
            let like = data.technicians[who].clone();
            data.technicians.push(Technician { name: "one more".into(), calendar, with_overtime: None, ..like });
        }
        _ => return None,
    }
    Problem::new(data).ok()
}
