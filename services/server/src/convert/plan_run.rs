//! Plan runs and their limits.

use fitup_model::Fault;
use fitup_proto::v1;
use fitup_store::{Phase, PlanRunRecord, RunLimits, RunState};
use jiff::SignedDuration;

use super::fields::{At, collect, optional_instant, to_duration, to_instant};
use super::names::{self, Collection};

/// A plan run that says nothing else stops after this.
pub const DEFAULT_TIME_LIMIT: SignedDuration = SignedDuration::from_secs(5);
/// No plan run goes on for longer.
pub const LONGEST_TIME_LIMIT: SignedDuration = SignedDuration::from_secs(600);

/// Reads the limits of a plan run.
///
/// # Errors
/// Everything that is wrong with them, with paths that begin with `limits`.
pub fn read_limits(limits: Option<&v1::plan_run::Limits>) -> Result<RunLimits, Vec<Fault>> {
    let default = v1::plan_run::Limits::default();
    let (limits, faults) = collect(|at| self::limits(limits.unwrap_or(&default), &at.field("limits")));
    if faults.is_empty() { Ok(limits) } else { Err(faults) }
}

/// Writes a plan run.
pub fn write(run: &PlanRunRecord) -> v1::PlanRun {
    let progress = &run.progress;
    v1::PlanRun {
        name: names::child(&run.shop, Collection::PlanRuns, &run.id),
        state: to_state(run.state).into(),
        limits: Some(to_limits(&run.limits)),
        phase: progress.phase.map_or(v1::plan_run::Phase::Unspecified, to_phase).into(),
        best_price: progress.best_price,
        bound: progress.bound,
        gap: progress.best_price.map(|price| fitup_planner::outcome::gap(price, progress.bound)),
        plan: run.plan.as_ref().map(|plan| names::child(&run.shop, Collection::Plans, plan)).unwrap_or_default(),
        failure: run.failure.clone(),
        shop_revision: run.shop_revision,
        as_of_time: Some(to_instant(run.as_of_time)),
        create_time: Some(to_instant(run.create_time)),
        start_time: run.start_time.map(to_instant),
        end_time: run.end_time.map(to_instant),
    }
}

fn limits(limits: &v1::plan_run::Limits, at: &At) -> RunLimits {
    RunLimits {
        time_limit: time_limit(limits, &at.field("time_limit")),
        iteration_limit: match limits.iteration_limit {
            0 => None,
            steps if steps > 0 => Some(steps),
            steps => {
                at.field("iteration_limit").fault(format!("must not be negative, and is {steps}"));
                None
            }
        },
        seed: limits.seed,
        gap_limit: if (0.0..=1.0).contains(&limits.gap_limit) {
            limits.gap_limit
        } else {
            at.field("gap_limit").fault(format!("must be 0 to 1, and is {}", limits.gap_limit));
            0.0
        },
        as_of_time: optional_instant(limits.as_of_time.as_ref(), &at.field("as_of_time")),
    }
}

/// Reads the time limit, rounded up to milliseconds.
fn time_limit(limits: &v1::plan_run::Limits, at: &At) -> Option<SignedDuration> {
    let limit = limits.time_limit?;
    let nanos = i128::from(limit.seconds) * 1_000_000_000 + i128::from(limit.nanos);
    if nanos <= 0 || nanos > LONGEST_TIME_LIMIT.as_nanos() {
        at.fault(format!("must be more than 0 s and at most {} s", LONGEST_TIME_LIMIT.as_secs()));
        return None;
    }
    i64::try_from((nanos + 999_999) / 1_000_000).ok().map(SignedDuration::from_millis)
}

fn to_limits(limits: &RunLimits) -> v1::plan_run::Limits {
    v1::plan_run::Limits {
        time_limit: limits.time_limit.map(to_duration),
        iteration_limit: limits.iteration_limit.unwrap_or(0),
        seed: limits.seed,
        gap_limit: limits.gap_limit,
        as_of_time: limits.as_of_time.map(to_instant),
    }
}

fn to_state(state: RunState) -> v1::plan_run::State {
    match state {
        RunState::Queued => v1::plan_run::State::Queued,
        RunState::Running => v1::plan_run::State::Running,
        RunState::Succeeded => v1::plan_run::State::Succeeded,
        RunState::Cancelled => v1::plan_run::State::Cancelled,
        RunState::Failed => v1::plan_run::State::Failed,
    }
}

fn to_phase(phase: Phase) -> v1::plan_run::Phase {
    match phase {
        Phase::Construct => v1::plan_run::Phase::Construct,
        Phase::Improve => v1::plan_run::Phase::Improve,
        Phase::Bound => v1::plan_run::Phase::Bound,
        Phase::Exact => v1::plan_run::Phase::Exact,
    }
}

/// Reads the moment that something is asked about.
///
/// # Errors
/// A fault of `as_of_time`.
pub fn read_as_of(time: Option<&prost_types::Timestamp>) -> Result<Option<jiff::Timestamp>, Vec<Fault>> {
    let (time, faults) = collect(|at| optional_instant(time, &at.field("as_of_time")));
    if faults.is_empty() { Ok(time) } else { Err(faults) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(change: impl FnOnce(&mut v1::plan_run::Limits), expected: Result<RunLimits, &[&str]>) {
        let mut limits = v1::plan_run::Limits::default();
        change(&mut limits);
        let found = read_limits(Some(&limits));
        let paths = found.as_ref().err().map(|faults| faults.iter().map(|f| f.path.as_str()).collect::<Vec<_>>());
        assert_eq!((found.as_ref().ok(), paths.as_deref()), (expected.as_ref().ok(), expected.err()));
    }

    const NONE: RunLimits =
        RunLimits { time_limit: None, iteration_limit: None, seed: 0, gap_limit: 0.0, as_of_time: None };

    #[test]
    fn limits_are_optional() {
        assert_eq!(read_limits(None), Ok(NONE));
        check(|_| {}, Ok(NONE));
    }

    #[test]
    fn time_limits_are_rounded_up_to_milliseconds() {
        let duration = |seconds, nanos| Some(prost_types::Duration { seconds, nanos });
        let limit = |ms| Ok(RunLimits { time_limit: Some(SignedDuration::from_millis(ms)), ..NONE });
        check(|limits| limits.time_limit = duration(0, 1), limit(1));
        check(|limits| limits.time_limit = duration(2, 500_000_000), limit(2500));
        check(|limits| limits.time_limit = duration(600, 0), limit(600_000));
        for (seconds, nanos) in [(0, 0), (-1, 0), (600, 1), (i64::MAX, 0)] {
            check(|limits| limits.time_limit = duration(seconds, nanos), Err(&["limits.time_limit"]));
        }
    }

    #[test]
    fn all_faults_are_told() {
        check(
            |limits| {
                limits.iteration_limit = -1;
                limits.gap_limit = f64::NAN;
                limits.as_of_time = Some(prost_types::Timestamp { seconds: i64::MIN, nanos: 0 });
            },
            Err(&["limits.iteration_limit", "limits.gap_limit", "limits.as_of_time"]),
        );
        check(|limits| limits.gap_limit = 1.5, Err(&["limits.gap_limit"]));
    }
}
