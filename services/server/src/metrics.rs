//! What a monitoring system asks for, in the text format of Prometheus.
//! <https://prometheus.io/docs/instrumenting/exposition_formats/>
//!
//! No shop, order or person is named: numbers only, over all shops.

use std::time::Duration;

use fitup_planner::outcome::gap;
use fitup_store::{Connections, PlanRunRecord, RunCounts, RunState};
use prometheus::{HistogramOpts, HistogramVec, IntCounterVec, IntGauge, IntGaugeVec, Opts, Registry, TextEncoder};
use tonic::Code;

use crate::access::policy::{self, Admits};

/// Bounds of the times of calls, in seconds: a look-up takes a few milliseconds, an answer by the planner seconds.
const CALL_SECONDS: [f64; 12] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0];
/// Bounds of the times of plan runs, in seconds.
const RUN_SECONDS: [f64; 9] = [0.1, 0.5, 1.0, 5.0, 10.0, 30.0, 60.0, 300.0, 1800.0];
/// Bounds of gaps.
const GAPS: [f64; 9] = [0.0, 0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5];

/// The instruments of one server.
#[derive(Debug, Clone)]
pub struct Metrics {
    registry: Registry,
    calls: HistogramVec,
    runs_ended: IntCounterVec,
    run_seconds: HistogramVec,
    run_gaps: HistogramVec,
    last_price: IntGauge,
    runs: IntGaugeVec,
    at_work: IntGauge,
    connections: IntGaugeVec,
}

impl Default for Metrics {
    fn default() -> Self {
        Metrics::new().expect("no two instruments have the same name")
    }
}

impl Metrics {
    fn new() -> prometheus::Result<Metrics> {
        let registry = Registry::new();
        let histogram = |name: &str, help: &str, buckets: &[f64], labels: &[&str]| {
            HistogramVec::new(HistogramOpts::new(name, help).buckets(buckets.to_vec()), labels)
        };
        let metrics = Metrics {
            calls: histogram(
                "fitup_call_seconds",
                "Time until a call was answered, or until a stream began.",
                &CALL_SECONDS,
                &["method", "code"],
            )?,
            runs_ended: IntCounterVec::new(
                Opts::new("fitup_plan_runs_ended_total", "Plan runs that ended on this server."),
                &["state"],
            )?,
            run_seconds: histogram(
                "fitup_plan_run_seconds",
                "Time of plan runs on this server.",
                &RUN_SECONDS,
                &["state"],
            )?,
            run_gaps: histogram(
                "fitup_plan_run_gap",
                "(price - bound) / price at the end of plan runs.",
                &GAPS,
                &["state"],
            )?,
            last_price: IntGauge::new("fitup_plan_run_last_price", "Price of the latest plan made on this server.")?,
            runs: IntGaugeVec::new(
                Opts::new("fitup_plan_runs", "Plan runs in the database, of all servers, that wait or run."),
                &["state"],
            )?,
            at_work: IntGauge::new("fitup_plan_runs_at_work", "Plan runs that this server works on.")?,
            connections: IntGaugeVec::new(
                Opts::new("fitup_database_connections", "Connections of this server to its database."),
                &["state"],
            )?,
            registry,
        };
        let registry = &metrics.registry;
        registry.register(Box::new(metrics.calls.clone()))?;
        registry.register(Box::new(metrics.runs_ended.clone()))?;
        registry.register(Box::new(metrics.run_seconds.clone()))?;
        registry.register(Box::new(metrics.run_gaps.clone()))?;
        registry.register(Box::new(metrics.last_price.clone()))?;
        registry.register(Box::new(metrics.runs.clone()))?;
        registry.register(Box::new(metrics.at_work.clone()))?;
        registry.register(Box::new(metrics.connections.clone()))?;
        registry.register(Box::new(prometheus::process_collector::ProcessCollector::for_self()))?;
        Ok(metrics)
    }

    /// Counts a call. Methods that nobody knows share one name, so that strangers cannot fill the memory.
    pub fn called(&self, method: &str, code: Code, passed: Duration) {
        let method = if policy::admits(method) == Admits::Nobody { "unknown" } else { method };
        self.calls.with_label_values(&[method, &format!("{code:?}")]).observe(passed.as_secs_f64());
    }

    /// Counts a plan run that begins.
    pub fn run_began(&self) {
        self.at_work.inc();
    }

    /// Counts a plan run that this server works on no more, whatever came of it.
    pub fn run_left(&self) {
        self.at_work.dec();
    }

    /// Counts a plan run that has ended.
    pub fn run_ended(&self, run: &PlanRunRecord, passed: Duration) {
        let state = [word(run.state)];
        self.runs_ended.with_label_values(&state).inc();
        self.run_seconds.with_label_values(&state).observe(passed.as_secs_f64());
        if let Some(price) = run.progress.best_price {
            self.run_gaps.with_label_values(&state).observe(gap(price, run.progress.bound));
            self.last_price.set(price);
        }
    }

    /// Returns all of it as text, with what the database says at the moment.
    pub fn text(&self, connections: Connections, runs: Option<RunCounts>) -> prometheus::Result<String> {
        self.connections.with_label_values(&["open"]).set(i64::from(connections.open));
        self.connections.with_label_values(&["idle"]).set(i64::from(connections.idle));
        match runs {
            Some(runs) => {
                self.runs.with_label_values(&["queued"]).set(runs.queued);
                self.runs.with_label_values(&["running"]).set(runs.running);
            }
            // Better no number than an old one.
            None => self.runs.reset(),
        }
        TextEncoder::new().encode_to_string(&self.registry.gather())
    }
}

fn word(state: RunState) -> &'static str {
    match state {
        RunState::Queued => "queued",
        RunState::Running => "running",
        RunState::Succeeded => "succeeded",
        RunState::Failed => "failed",
        RunState::Cancelled => "cancelled",
    }
}
