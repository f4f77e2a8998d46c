//! One search: from what was claimed to a checked timetable. Runs on a thread of its own.

use std::time::{Duration, Instant};

use fitup_model::timetable::Quality;
use fitup_model::{Held, Shop, Timetable};
use fitup_planner::{AnyOf, Options, Outcome, Solved, Stop};
use fitup_store::{ClaimedRun, Phase, RunLimits, RunProgress, Snapshot};
use jiff::Timestamp;

use crate::convert::plan_run::DEFAULT_TIME_LIMIT;
use crate::left_out;

/// What a search ends with.
#[derive(Debug)]
pub enum Found {
    /// A plan that has passed the checker.
    Plan(Box<Timetable>),
    /// No plan before it was stopped.
    Nothing,
    /// There is no plan to be had: why, for people.
    Failure(String),
}

/// Searches until `stop` or the limits of the run say so, and tells `report` how far it is.
///
/// Whatever the planner says, no plan leaves here that the checker has not passed.
pub fn search(claimed: &ClaimedRun, threads: usize, stop: &dyn Stop, report: &(dyn Fn(RunProgress) + Sync)) -> Found {
    search_in(&claimed.snapshot, claimed.run.as_of_time, &claimed.run.limits, threads, stop, report)
}

/// Searches for a plan of these facts, as [`search`] does.
pub fn search_in(
    stored: &Snapshot,
    as_of: Timestamp,
    limits: &RunLimits,
    threads: usize,
    stop: &dyn Stop,
    report: &(dyn Fn(RunProgress) + Sync),
) -> Found {
    let time_limit = limits.time_limit.unwrap_or(DEFAULT_TIME_LIMIT);
    // With an iteration limit the plan depends on the iterations alone: nothing is cut to the time that is left.
    let tells = limits.iteration_limit.is_none();
    let deadline = Deadline { started: Instant::now(), limit: time_limit.unsigned_abs(), tells };
    let planning = match planning(stored, as_of) {
        Ok(planning) => planning,
        Err(failure) => return Found::Failure(failure),
    };
    let options = Options {
        seed: limits.seed.cast_unsigned(),
        threads,
        iterations: limits.iteration_limit.and_then(|limit| u64::try_from(limit).ok()),
        gap: limits.gap_limit,
        start: planning.published.as_ref(),
        ..Options::default()
    };
    let stops: [&dyn Stop; 2] = [&deadline, stop];
    let on_progress = |progress: &fitup_planner::Progress| report(to_progress(progress));
    match fitup_planner::plan(&planning.problem, &options, &AnyOf(&stops), &on_progress) {
        Outcome::Optimal(solved) => checked(&planning, &solved, Quality::Optimal),
        Outcome::Feasible(solved) => checked(&planning, &solved, Quality::Feasible),
        Outcome::Infeasible(violations) => {
            let messages: Vec<&str> = violations.iter().map(|violation| violation.message.as_str()).collect();
            Found::Failure(format!(
                "what has happened breaks the rules, whatever is planned for the rest; correct the progress of the \
                 orders: {}",
                messages.join("; ")
            ))
        }
        Outcome::Unknown { .. } => Found::Nothing,
    }
}

/// Returns the planning problem of what is stored, at `now`.
///
/// # Errors
/// Why there is none, for people.
pub fn planning(stored: &fitup_store::Snapshot, now: jiff::Timestamp) -> Result<fitup_model::Planning, String> {
    let shop = Shop::new(stored.shop.facts.clone()).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        format!("the shop no longer holds together; mend it first: {}", faults.join("; "))
    })?;
    let snapshot = fitup_model::snapshot::Snapshot {
        shop,
        orders: as_they_are(stored, now),
        holds: (stored.holds.iter()).map(|hold| Held { order: hold.facts.clone(), until: hold.expire_time }).collect(),
        published: stored.published.as_ref().map(|plan| plan.timetable.clone()),
        now,
    };
    snapshot.planning().map_err(|error| format!("the time to plan for is out of reach: {error}"))
}

/// Returns the open orders as they are at `now`: a bake that nobody clocks has begun, and ended, by itself.
pub fn as_they_are(stored: &fitup_store::Snapshot, now: jiff::Timestamp) -> Vec<fitup_model::OrderFacts> {
    let mut orders: Vec<_> = stored.orders.iter().map(|order| order.facts.clone()).collect();
    orders.iter_mut().for_each(|order| fitup_model::floor::settle_unattended(order, now));
    orders
}

fn checked(planning: &fitup_model::snapshot::Planning, solved: &Solved, quality: Quality) -> Found {
    let show = |time| planning.instant(time).to_string();
    let violations = fitup_model::check::check_with(&planning.problem, &solved.plan, &show);
    if violations.is_empty() {
        let left_out = left_out::describe(&planning.problem, &solved.left_out);
        return Found::Plan(Box::new(planning.timetable(&solved.plan, quality, solved.bound, left_out)));
    }
    for violation in &violations {
        tracing::error!(rule = ?violation.rule, message = violation.message, "the planner broke a rule");
    }
    Found::Failure("the plan did not pass the checker and was dropped: a bug; the server's log has the details".into())
}

fn to_progress(progress: &fitup_planner::Progress) -> RunProgress {
    let phase = match progress.phase {
        fitup_planner::Phase::Construct => Phase::Construct,
        fitup_planner::Phase::Improve => Phase::Improve,
        fitup_planner::Phase::Bound => Phase::Bound,
        fitup_planner::Phase::Exact => Phase::Exact,
    };
    RunProgress { phase: Some(phase), best_price: progress.price, bound: progress.bound }
}

/// Stops when the time is up.
pub struct Deadline {
    /// Since when.
    pub started: Instant,
    /// How long.
    pub limit: Duration,
    /// Whether the planner is told how much time is left.
    pub tells: bool,
}

impl Stop for Deadline {
    fn should_stop(&self) -> bool {
        self.started.elapsed() >= self.limit
    }

    fn used(&self) -> f64 {
        (self.started.elapsed().as_secs_f64() / self.limit.as_secs_f64().max(1e-9)).min(1.0)
    }

    fn seconds_left(&self) -> Option<f64> {
        self.tells.then(|| self.limit.saturating_sub(self.started.elapsed()).as_secs_f64())
    }
}

#[cfg(test)]
mod tests {
    use fitup_model::{Plan, ShopFacts};

    use super::*;

    /// Goal: whatever the planner says, a plan that breaks a rule is neither stored nor shown. Method: one that does not
    /// even have the shape of a plan for the problem.
    #[test]
    fn a_plan_that_breaks_a_rule_goes_no_further() {
        let facts = ShopFacts {
            id: "main".into(),
            display_name: "Main Street".into(),
            time_zone: "America/Chicago".into(),
            skills: vec![],
            calendars: vec![],
            holidays: vec![],
            bays: vec![],
            equipment: vec![],
            technicians: vec![],
            changeovers: vec![],
            settings: Default::default(),
        };
        let shop = Shop::new(facts).expect("a shop without faults");
        let now = "2031-05-05T12:00:00Z".parse().expect("an instant");
        let planning = fitup_model::Snapshot { shop, orders: vec![], holds: vec![], published: None, now }
            .planning()
            .expect("a horizon");
        let solved =
            |plan| Solved { plan, cost: 0, bound: 0, left_out: vec![], iterations: 0, prices: Default::default() };
        let good = Plan::nothing_new(&planning.problem);
        assert!(matches!(checked(&planning, &solved(good.clone()), Quality::Optimal), Found::Plan(_)));
        let mut broken = good;
        broken.operations.push(None);
        let found = checked(&planning, &solved(broken), Quality::Optimal);
        assert!(matches!(&found, Found::Failure(failure) if failure.contains("did not pass the checker")), "{found:?}");
    }

    #[test]
    fn a_deadline_passes() {
        let deadline = Deadline { started: Instant::now(), limit: Duration::from_secs(3600), tells: true };
        assert!(!deadline.should_stop() && deadline.used() < 0.5);
        let deadline = Deadline { started: Instant::now(), limit: Duration::ZERO, tells: true };
        assert!(deadline.should_stop());
        assert_eq!(deadline.used(), 1.0);
    }
}
