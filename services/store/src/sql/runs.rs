//! Plan runs: a queue whose entries are lent to workers for a while.

use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use super::rows::micros;
use super::run_rows::{RunRow, phase_word, state_word};
use super::{Connection, EXPIRED_RUNS, NEXT_RUN, audit, holds, orders, plans, shops};
use crate::change::Change;
use crate::difference::Difference;
use crate::error::Error;
use crate::record::{ClaimedRun, NewPlanRun, Page, PlanRunRecord, RunCounts, RunEnd, RunProgress, RunState, Snapshot};

/// Returns the name of a plan run.
pub fn name(shop: &str, run: &str) -> String {
    format!("shops/{shop}/planRuns/{run}")
}

/// Returns a plan run.
pub async fn get(connection: &mut Connection, shop: &str, run: &str) -> Result<PlanRunRecord, Error> {
    let row: Option<RunRow> = sqlx::query_as(
        "select plan_run.*, plan_id
        from plan_run
        left join plan using (shop_id, plan_run_id)
        where shop_id = $1
            and plan_run_id = $2",
    )
    .bind(shop)
    .bind(run)
    .fetch_optional(connection)
    .await?;
    row.ok_or_else(|| Error::NotFound { name: name(shop, run) })?.record()
}

/// Returns plan runs, the one asked for last first.
pub async fn list(connection: &mut Connection, shop: &str, page: &Page) -> Result<Vec<PlanRunRecord>, Error> {
    shops::revision(connection, shop).await?;
    let rows: Vec<RunRow> = sqlx::query_as(
        "select plan_run.*, plan_id
        from plan_run
        left join plan using (shop_id, plan_run_id)
        where shop_id = $1
            and ($2 = '' or (plan_run.create_time, plan_run_id) < (
                select create_time, plan_run_id
                from plan_run
                where shop_id = $1
                    and plan_run_id = $2
            ))
        order by plan_run.create_time desc, plan_run_id desc
        limit $3",
    )
    .bind(shop)
    .bind(page.after.as_deref().unwrap_or(""))
    .bind(i64::from(page.limit))
    .fetch_all(connection)
    .await?;
    rows.into_iter().map(RunRow::record).collect()
}

/// Returns everything that a plan is made from.
pub async fn snapshot(connection: &mut Connection, shop: &str) -> Result<Snapshot, Error> {
    Ok(Snapshot {
        shop: shops::get(connection, shop).await?,
        orders: orders::open(connection, shop).await?,
        holds: holds::standing(connection, shop).await?,
        published: plans::published(connection, shop).await?,
    })
}

/// Returns how many plan runs wait and run.
pub async fn count(connection: &mut Connection) -> Result<RunCounts, Error> {
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "select state, count(*) from plan_run where state in ('queued', 'running') group by state order by state",
    )
    .fetch_all(connection)
    .await?;
    let of = |state: &str| rows.iter().find(|(own, _)| own == state).map_or(0, |(_, count)| *count);
    Ok(RunCounts { queued: of("queued"), running: of("running") })
}

/// Queues a plan run.
pub async fn create(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    run: &NewPlanRun,
) -> Result<PlanRunRecord, Error> {
    let revision = shops::revision(connection, shop).await?;
    let (unfinished,): (i64,) =
        sqlx::query_as("select count(*) from plan_run where shop_id = $1 and state in ('queued', 'running')")
            .bind(shop)
            .fetch_one(&mut *connection)
            .await?;
    if unfinished >= i64::from(run.unfinished_limit) {
        return Err(Error::QueueFull { shop: shop.to_owned(), limit: run.unfinished_limit });
    }
    let (in_all,): (i64,) = sqlx::query_as("select count(*) from plan_run where state in ('queued', 'running')")
        .fetch_one(&mut *connection)
        .await?;
    if in_all >= i64::from(run.unfinished_limit_in_all) {
        return Err(Error::QueuesFull { limit: run.unfinished_limit_in_all });
    }
    let limits = &run.limits;
    let done = sqlx::query(
        "insert into plan_run (
            shop_id, plan_run_id, state, time_limit_millis, iteration_limit, seed, gap_limit, limit_as_of_time,
            as_of_time, shop_revision, bound, cancel_requested, attempts, create_time
        )
        values ($1, $2, 'queued', $3, $4, $5, $6, $7, $8, $9, 0, false, 0, $10)
        on conflict (shop_id, plan_run_id) do nothing",
    )
    .bind(shop)
    .bind(&run.id)
    .bind(limits.time_limit.map(whole_millis))
    .bind(limits.iteration_limit)
    .bind(limits.seed)
    .bind(limits.gap_limit)
    .bind(limits.as_of_time.map(micros))
    .bind(micros(run.as_of_time))
    .bind(revision)
    .bind(micros(change.at))
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Err(Error::AlreadyExists { name: name(shop, &run.id) });
    }
    append(connection, change, shop, &run.id, "queue", Difference::of("state", Value::Null, "queued")).await?;
    get(connection, shop, &run.id).await
}

/// Tells whether a plan run waits.
pub async fn is_any_queued(connection: &mut Connection) -> Result<bool, Error> {
    let (found,) =
        sqlx::query_as("select exists (select 1 from plan_run where state = 'queued')").fetch_one(connection).await?;
    Ok(found)
}

/// Lends the plan run that waits longest to `worker`.
pub async fn claim(
    connection: &mut Connection,
    now: Timestamp,
    worker: &str,
    lease_time: Timestamp,
) -> Result<Option<ClaimedRun>, Error> {
    let next: Option<(String, String)> = sqlx::query_as(NEXT_RUN).fetch_optional(&mut *connection).await?;
    let Some((shop, run)) = next else { return Ok(None) };
    sqlx::query(
        "update plan_run
        set state = 'running', worker = $3, lease_time = $4, start_time = $5, attempts = attempts + 1,
            shop_revision = (select revision from shop where shop.shop_id = plan_run.shop_id)
        where shop_id = $1
            and plan_run_id = $2",
    )
    .bind(&shop)
    .bind(&run)
    .bind(worker)
    .bind(micros(lease_time))
    .bind(micros(now))
    .execute(&mut *connection)
    .await?;
    let change = Change { at: now, actor: worker.to_owned(), origin: None, request: None };
    append(connection, &change, &shop, &run, "claim", Difference::of("state", "queued", "running")).await?;
    let run = get(connection, &shop, &run).await?;
    Ok(Some(ClaimedRun { run, snapshot: snapshot(connection, &shop).await? }))
}

/// Notes how far a plan run is, and extends its lease.
pub async fn report(
    connection: &mut Connection,
    shop: &str,
    run: &str,
    worker: &str,
    lease_time: Timestamp,
    progress: RunProgress,
) -> Result<PlanRunRecord, Error> {
    let done = sqlx::query(
        "update plan_run
        set lease_time = $4, phase = $5, best_price = $6, bound = $7
        where shop_id = $1
            and plan_run_id = $2
            and worker = $3
            and state = 'running'",
    )
    .bind(shop)
    .bind(run)
    .bind(worker)
    .bind(micros(lease_time))
    .bind(progress.phase.map(phase_word))
    .bind(progress.best_price)
    .bind(progress.bound)
    .execute(&mut *connection)
    .await?;
    let stored = get(connection, shop, run).await?;
    if done.rows_affected() == 0 {
        return Err(Error::LeaseLost { name: name(shop, run), worker: worker.to_owned() });
    }
    Ok(stored)
}

/// Ends a plan run.
pub async fn finish(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    run: &str,
    worker: &str,
    progress: RunProgress,
    end: &RunEnd,
) -> Result<PlanRunRecord, Error> {
    // The lease ends with the run; this refuses a worker who has lost it.
    let stored = report(connection, shop, run, worker, change.at, progress).await?;
    let (state, plan, failure) = match end {
        RunEnd::Succeeded { plan, timetable } => (RunState::Succeeded, Some((plan, timetable)), None),
        RunEnd::Cancelled { best } => {
            (RunState::Cancelled, best.as_ref().map(|(plan, timetable)| (plan, timetable)), None)
        }
        RunEnd::Failed { failure } => (RunState::Failed, None, Some(failure.as_str())),
    };
    if let Some((id, timetable)) = plan {
        plans::save(connection, change, shop, (id, stored.shop_revision, timetable), Some(run)).await?;
    }
    set_final(connection, shop, run, state, failure, change.at).await?;
    append(connection, change, shop, run, "finish", Difference::of("state", "running", state_word(state))).await?;
    get(connection, shop, run).await
}

/// Cancels a plan run: at once if it waits, by its worker if it runs.
pub async fn cancel(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    run: &str,
) -> Result<PlanRunRecord, Error> {
    let stored = get(connection, shop, run).await?;
    if stored.state.is_final() || stored.cancel_requested {
        return Ok(stored);
    }
    sqlx::query("update plan_run set cancel_requested = true where shop_id = $1 and plan_run_id = $2")
        .bind(shop)
        .bind(run)
        .execute(&mut *connection)
        .await?;
    if stored.state == RunState::Queued {
        set_final(connection, shop, run, RunState::Cancelled, None, change.at).await?;
    }
    append(connection, change, shop, run, "cancel", Difference::of("cancel_requested", false, true)).await?;
    get(connection, shop, run).await
}

/// Takes plan runs whose lease has expired from their workers.
pub async fn requeue_expired(
    connection: &mut Connection,
    change: &Change,
    attempt_limit: u32,
) -> Result<Vec<PlanRunRecord>, Error> {
    let expired: Vec<(String, String)> =
        sqlx::query_as(EXPIRED_RUNS).bind(micros(change.at)).fetch_all(&mut *connection).await?;
    let mut runs = Vec::with_capacity(expired.len());
    for (shop, run) in expired {
        let stored = get(connection, &shop, &run).await?;
        let state = if stored.cancel_requested {
            set_final(connection, &shop, &run, RunState::Cancelled, None, change.at).await?;
            RunState::Cancelled
        } else if stored.attempts >= attempt_limit {
            let failure = format!("given up after {} attempts: each time the worker was lost", stored.attempts);
            set_final(connection, &shop, &run, RunState::Failed, Some(&failure), change.at).await?;
            RunState::Failed
        } else {
            queue_again(connection, &shop, &run).await?;
            RunState::Queued
        };
        let difference = Difference::of("state", "running", state_word(state));
        append(connection, change, &shop, &run, "requeue", difference).await?;
        runs.push(get(connection, &shop, &run).await?);
    }
    Ok(runs)
}

async fn queue_again(connection: &mut Connection, shop: &str, run: &str) -> Result<(), Error> {
    sqlx::query(
        "update plan_run
        set state = 'queued', lease_time = null, start_time = null, phase = null, best_price = null, bound = 0
        where shop_id = $1
            and plan_run_id = $2",
    )
    .bind(shop)
    .bind(run)
    .execute(connection)
    .await?;
    Ok(())
}

async fn set_final(
    connection: &mut Connection,
    shop: &str,
    run: &str,
    state: RunState,
    failure: Option<&str>,
    at: Timestamp,
) -> Result<(), Error> {
    sqlx::query(
        "update plan_run
        set state = $3, failure = $4, end_time = $5, lease_time = null
        where shop_id = $1
            and plan_run_id = $2",
    )
    .bind(shop)
    .bind(run)
    .bind(state_word(state))
    .bind(failure)
    .bind(micros(at))
    .execute(connection)
    .await?;
    Ok(())
}

async fn append(
    connection: &mut Connection,
    change: &Change,
    shop: &str,
    run: &str,
    action: &'static str,
    difference: Difference,
) -> Result<(), Error> {
    let revision = shops::revision(connection, shop).await?;
    let resource = name(shop, run);
    let event = audit::Event { shop, resource, action, revisions: (revision, revision), difference };
    audit::append(connection, change, event).await
}

fn whole_millis(duration: SignedDuration) -> i64 {
    i64::try_from(duration.as_millis()).unwrap_or(i64::MAX)
}
