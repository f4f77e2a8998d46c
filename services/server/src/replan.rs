//! Answers to facts that have overtaken the published plan: least change, best outcome, with overtime. Each is checked.
//! Runs on threads of its own.

use std::time::{Duration, Instant};

use fitup_model::keyed::TechnicianId;
use fitup_model::timetable::Quality;
use fitup_model::{Calendar, Plan, Planning, Problem, Span, Timetable, Window, cost, repair};
use fitup_planner::replan::{improved, least_change};
use fitup_planner::{AnyOf, Options, Solved, Stop};
use jiff::{SignedDuration, Timestamp};

use crate::left_out;
use crate::search::Deadline;

/// The search for the best outcome takes so long where nothing else is said.
pub const TIME_LIMIT: Duration = Duration::from_secs(4);
/// Least change takes this share of it.
const LEAST_SHARE: u32 = 5;
/// What each stretch of overtime buys is found in so many steps of search.
const WORTH_ITERATIONS: u64 = 1000;
/// Of no more stretches than this.
const WORTH_COUNT: usize = 12;
/// What starts sooner than this is soon.
const SOON: Span = Span::from_minutes(2 * 1440);

/// How long to search.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// For the best outcome.
    pub time: Duration,
    /// Steps of each answer, in place of time.
    pub iterations: Option<u64>,
    /// Seed.
    pub seed: u64,
    /// Threads of the search for the best outcome.
    pub threads: usize,
}

/// What an answer is after.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Everything stays that can stay.
    LeastChange,
    /// The best plan without more overtime.
    BestOutcome,
    /// The best plan with the overtime that the shop allows.
    WithOvertime,
}

/// Hours worked in overtime beyond what was published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OvertimeUse {
    /// Id of the technician.
    pub technician: String,
    /// From when that day.
    pub start_time: Timestamp,
    /// Until when.
    pub end_time: Timestamp,
    /// How much is worked.
    pub work: SignedDuration,
    /// How much dearer the plan is without it.
    pub worth: i64,
}

/// A checked plan in place of the published one.
#[derive(Debug, Clone)]
pub struct Answer {
    /// What it is after.
    pub kind: Kind,
    /// The plan.
    pub timetable: Timetable,
    /// Operations published to start soon, and how many of these it moves.
    pub soon: (usize, usize),
    /// How many operations it moves in all.
    pub moved: usize,
    /// Overtime beyond what was published.
    pub overtime: Vec<OvertimeUse>,
}

/// Returns up to three answers, of which no two are the same plan.
///
/// # Errors
/// Why there is none, for people.
pub fn replan(planning: &Planning, published: &Plan, limits: &Limits, stop: &dyn Stop) -> Result<Vec<Answer>, String> {
    let problem = &planning.problem;
    let regular = repair::without_new_overtime(problem, Some(published));
    let options = Options {
        seed: limits.seed,
        threads: limits.threads,
        iterations: limits.iterations,
        gap: 0.0,
        start: Some(published),
        ..Options::default()
    };
    let least =
        within(limits.time / LEAST_SHARE, limits, stop, |stop| least_change(&regular, published, &options, stop));
    let options = Options { start: Some(&least.plan), ..options };
    let opens = problem.technicians.keys().any(|id| has_more(problem, &regular, id));
    let solve = |of: &Problem| within(limits.time, limits, stop, |stop| best(of, &options, &least, stop));
    let (best, overtime) = std::thread::scope(|scope| {
        let overtime = opens.then(|| scope.spawn(|| solve(problem)));
        let best = solve(&regular);
        (best, overtime.map(|thread| thread.join().expect("the planner does not panic")))
    });
    // What is proven where everything is open holds everywhere.
    let bound = overtime.as_ref().map_or(best.bound, |overtime| overtime.bound);
    let price = |solved: &Solved| cost::cost(problem, &solved.plan);
    let mut answers = vec![(Kind::LeastChange, &least)];
    if price(&best) < price(&least) {
        answers.push((Kind::BestOutcome, &best));
    }
    let cheapest = price(&best).min(price(&least));
    answers.extend(overtime.as_ref().filter(|it| price(it) < cheapest).map(|it| (Kind::WithOvertime, it)));
    let answer = |(kind, solved): (Kind, &Solved)| {
        let timetable = checked(planning, solved, bound)?;
        let all = problem.horizon + Span::from_minutes(1);
        let mut overtime = overtime_of(planning, &regular, &solved.plan);
        if kind == Kind::WithOvertime {
            value(problem, &solved.plan, limits.seed, &mut overtime, stop);
        }
        Ok(Answer {
            kind,
            timetable,
            soon: repair::moved(problem, published, &solved.plan, problem.now + SOON),
            moved: repair::moved(problem, published, &solved.plan, all).1,
            overtime: overtime.into_iter().map(|(_, _, it)| it).collect(),
        })
    };
    answers.into_iter().map(answer).collect()
}

fn within<T>(time: Duration, limits: &Limits, stop: &dyn Stop, search: impl FnOnce(&dyn Stop) -> T) -> T {
    // With a limit on steps the answer depends on these alone.
    let time = if limits.iterations.is_some() { Duration::from_secs(120) } else { time };
    let deadline = Deadline { started: Instant::now(), limit: time, tells: limits.iterations.is_none() };
    search(&AnyOf(&[&deadline, stop]))
}

/// Returns the best plan found; with a limit on steps without a proof, which would take its own time.
fn best(problem: &Problem, options: &Options, least: &Solved, stop: &dyn Stop) -> Solved {
    let found = match options.iterations {
        Some(_) => Some(improved(problem, &least.plan, options, stop)),
        None => fitup_planner::plan(problem, options, stop, &|_| ()).solved().cloned(),
    };
    let no_better = found.as_ref().is_none_or(|found| found.cost > cost::cost(problem, &least.plan));
    found.filter(|_| !no_better).unwrap_or_else(|| least.clone())
}

fn has_more(problem: &Problem, regular: &Problem, id: TechnicianId) -> bool {
    let open = |of: &Problem| of.technicians[id].with_overtime.map(|calendar| of.calendars[calendar].clone());
    open(problem) != open(regular)
}

fn checked(planning: &Planning, solved: &Solved, bound: i64) -> Result<Timetable, String> {
    let problem = &planning.problem;
    let violations = fitup_model::check(problem, &solved.plan);
    if let Some(violation) = violations.first() {
        tracing::error!(rule = ?violation.rule, message = violation.message, "an answer broke a rule");
        return Err(
            "an answer did not pass the checker and was dropped: a bug; the server's log has the details".into()
        );
    }
    let cost = cost::cost(problem, &solved.plan);
    let quality = if cost <= bound { Quality::Optimal } else { Quality::Feasible };
    let left_out = left_out::describe(problem, &solved.left_out);
    Ok(planning.timetable(&solved.plan, quality, bound.min(cost), left_out))
}

type Use = (TechnicianId, Window, OvertimeUse);

/// Returns the overtime that `plan` works beyond that of `regular`, by technician and day.
fn overtime_of(planning: &Planning, regular: &Problem, plan: &Plan) -> Vec<Use> {
    let problem = &planning.problem;
    let mut uses = Vec::new();
    for (id, technician) in problem.technicians.iter() {
        let Some(all) = technician.with_overtime else { continue };
        let known = regular.technicians[id].with_overtime.unwrap_or(regular.technicians[id].calendar);
        let extra = problem.calendars[all].minus(&regular.calendars[known]);
        let works = plan.operations.values().flatten();
        let works = works.filter(|assignment| assignment.overtime && assignment.technicians.contains(&id));
        let worked = Calendar::new(works.map(|assignment| assignment.window()).collect()).intersection(&extra);
        for day in problem.days.windows(2) {
            let Some(day) = Window::new(day[0], day[1]) else { continue };
            let worked = worked.intersection(&Calendar::new(vec![day]));
            let (Some(first), Some(last)) = (worked.windows().first(), worked.windows().last()) else { continue };
            let minutes = worked.windows().iter().map(|window| window.span().minutes()).sum();
            let used = OvertimeUse {
                technician: technician.name.clone(),
                start_time: planning.instant(first.start()),
                end_time: planning.instant(last.end()),
                work: SignedDuration::from_mins(minutes),
                worth: 0,
            };
            uses.push((id, day, used));
        }
    }
    uses
}

/// Finds what each stretch of overtime buys: the plan is mended without it.
fn value(problem: &Problem, plan: &Plan, seed: u64, uses: &mut [Use], stop: &dyn Stop) {
    let with = cost::cost(problem, plan);
    for (id, day, used) in uses.iter_mut().take(WORTH_COUNT) {
        let without = repair::without_overtime_in(problem, *id, *day);
        let options = Options { seed, iterations: Some(WORTH_ITERATIONS), ..Options::default() };
        used.worth = improved(&without, plan, &options, stop).cost - with;
    }
}
