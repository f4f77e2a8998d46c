//! Plan runs as rows.

use jiff::SignedDuration;

use super::rows::{instant, number, optional_instant, words};
use crate::error::Error;
use crate::record::{Phase, PlanRunRecord, RunLimits, RunProgress, RunState};

words!(RunState, state_word, state, {
    RunState::Queued = "queued",
    RunState::Running = "running",
    RunState::Succeeded = "succeeded",
    RunState::Cancelled = "cancelled",
    RunState::Failed = "failed",
});

words!(Phase, phase_word, phase, {
    Phase::Construct = "construct",
    Phase::Improve = "improve",
    Phase::Bound = "bound",
    Phase::Exact = "exact",
});

/// A row of `plan_run` with the plan that it made.
#[derive(sqlx::FromRow)]
pub struct RunRow {
    shop_id: String,
    plan_run_id: String,
    state: String,
    time_limit_millis: Option<i64>,
    iteration_limit: Option<i64>,
    seed: i64,
    gap_limit: f64,
    limit_as_of_time: Option<i64>,
    as_of_time: i64,
    shop_revision: i64,
    phase: Option<String>,
    best_price: Option<i64>,
    bound: i64,
    failure: Option<String>,
    cancel_requested: bool,
    attempts: i64,
    worker: Option<String>,
    lease_time: Option<i64>,
    create_time: i64,
    start_time: Option<i64>,
    end_time: Option<i64>,
    plan_id: Option<String>,
}

impl RunRow {
    /// Returns the plan run.
    pub fn record(self) -> Result<PlanRunRecord, Error> {
        Ok(PlanRunRecord {
            id: self.plan_run_id,
            shop: self.shop_id,
            state: state(&self.state)?,
            limits: RunLimits {
                time_limit: self.time_limit_millis.map(SignedDuration::from_millis),
                iteration_limit: self.iteration_limit,
                seed: self.seed,
                gap_limit: self.gap_limit,
                as_of_time: optional_instant(self.limit_as_of_time)?,
            },
            progress: RunProgress {
                phase: self.phase.as_deref().map(phase).transpose()?,
                best_price: self.best_price,
                bound: self.bound,
            },
            plan: self.plan_id,
            failure: self.failure.unwrap_or_default(),
            shop_revision: self.shop_revision,
            as_of_time: instant(self.as_of_time)?,
            cancel_requested: self.cancel_requested,
            attempts: number(self.attempts)?,
            worker: self.worker,
            lease_time: optional_instant(self.lease_time)?,
            create_time: instant(self.create_time)?,
            start_time: optional_instant(self.start_time)?,
            end_time: optional_instant(self.end_time)?,
        })
    }
}
