//! Watches a plan run to its end, with a bar on standard error if that is a terminal.

use std::time::Duration;

use fitup_proto::v1;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use tonic::{Code, Status, Streaming};

use crate::cli::Context;
use crate::connect::request_id;
use crate::error::{Failure, Kind};
use crate::json;
use crate::words::{gap, grouped};

/// How often a broken stream is taken up again before giving up.
const ATTEMPTS: u32 = 5;

/// How often the bar moves while nothing gets better.
const TICK: Duration = Duration::from_millis(250);

/// Returns the final state of a run. Ctrl-C cancels the run, which then ends with the best plan found; a second one ends
/// the program.
///
/// # Errors
///
/// If the server does not answer any more.
pub async fn watch(context: &Context, run: v1::PlanRun) -> Result<v1::PlanRun, Failure> {
    let bar = bar(context, &run);
    let name = run.name.clone();
    let mut latest = run;
    let mut interrupts = 0;
    let mut attempts = 0;
    let mut stream = None;
    while !has_ended(&latest) {
        let watched = match stream.take() {
            Some(stream) => stream,
            None => match open(context, &name).await {
                Ok(opened) => opened,
                Err(status) => {
                    again(&bar, &mut attempts, status).await?;
                    continue;
                }
            },
        };
        let mut watched: Streaming<v1::PlanRun> = watched;
        tokio::select! {
            message = watched.message() => match message {
                Ok(Some(run)) => {
                    attempts = 0;
                    show(context, &bar, &run);
                    latest = run;
                    stream = Some(watched);
                }
                // The stream ended early: nothing is lost, it is opened again.
                Ok(None) => again(&bar, &mut attempts, Status::unavailable("the stream ended")).await?,
                Err(status) => again(&bar, &mut attempts, status).await?,
            },
            () = tokio::time::sleep(TICK) => {
                advance(&bar);
                stream = Some(watched);
            }
            _ = tokio::signal::ctrl_c() => {
                interrupts += 1;
                if interrupts > 1 {
                    return Err(Failure::new(Kind::NoAnswer, "interrupted; the run goes on until its limits"));
                }
                bar.set_message("ending the search ..");
                cancel(context, &name).await?;
                stream = Some(watched);
            }
        }
    }
    bar.finish_and_clear();
    Ok(latest)
}

/// Ends a run.
pub async fn cancel(context: &Context, name: &str) -> Result<v1::PlanRun, Failure> {
    let request = v1::CancelPlanRunRequest { name: name.to_owned(), request_id: request_id() };
    let answer = context.link.call(request, async |request| context.link.plans().cancel_plan_run(request).await);
    Ok(answer.await?)
}

/// Tells whether a run has ended.
pub fn has_ended(run: &v1::PlanRun) -> bool {
    !matches!(
        run.state(),
        v1::plan_run::State::Unspecified | v1::plan_run::State::Queued | v1::plan_run::State::Running
    )
}

async fn open(context: &Context, name: &str) -> Result<Streaming<v1::PlanRun>, Status> {
    // No deadline: a run may wait in the queue, and ends by its own limits.
    let request = context.link.request(v1::WatchPlanRunRequest { name: name.to_owned() });
    Ok(context.link.plans().watch_plan_run(request).await?.into_inner())
}

/// Waits before a broken stream is taken up again, or gives up.
async fn again(bar: &ProgressBar, attempts: &mut u32, status: Status) -> Result<(), Failure> {
    *attempts += 1;
    if status.code() != Code::Unavailable || *attempts == ATTEMPTS {
        bar.finish_and_clear();
        return Err(status.into());
    }
    tokio::time::sleep(Duration::from_millis(100) * 2_u32.pow(*attempts)).await;
    Ok(())
}

fn bar(context: &Context, run: &v1::PlanRun) -> ProgressBar {
    let limit = run.limits.as_ref().and_then(|limits| limits.time_limit.as_ref());
    let length = limit.map_or(5000, |limit| limit.seconds * 1000 + i64::from(limit.nanos) / 1_000_000);
    let is_drawn = context.output.may_draw() && !context.output.json;
    let target = if is_drawn { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(length.unsigned_abs()), target);
    let style = ProgressStyle::with_template("[{bar:10}] {wide_msg}").expect("the template is right");
    bar.set_style(style.progress_chars("=> "));
    bar.set_message("waiting for a free place");
    bar
}

/// Moves the bar to the time that has passed.
fn advance(bar: &ProgressBar) {
    bar.set_position(bar.elapsed().as_millis() as u64);
}

fn show(context: &Context, bar: &ProgressBar, run: &v1::PlanRun) {
    if context.output.json {
        context.output.object(&json::Run::from(run));
        return;
    }
    advance(bar);
    let phase = match run.phase() {
        v1::plan_run::Phase::Unspecified => "waiting for a free place",
        v1::plan_run::Phase::Construct => "building",
        v1::plan_run::Phase::Improve => "improving",
        v1::plan_run::Phase::Bound => "raising the bound",
        v1::plan_run::Phase::Exact => "proving",
    };
    bar.set_message(match run.best_price {
        Some(price) => {
            let gap = gap(price, run.bound).replace("at most", "<=").replace(" possible plan", "");
            format!("{phase}: price {}, bound {}, {gap}", grouped(price), grouped(run.bound))
        }
        None => phase.to_owned(),
    });
}
