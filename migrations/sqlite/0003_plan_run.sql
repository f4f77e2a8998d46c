-- Plan runs: searches for plans, and who works on them.

create table plan_run (
    shop_id text not null references shop on delete cascade,
    plan_run_id text not null
        constraint plan_run_id_format
        check (length(plan_run_id) between 1 and 63 and plan_run_id not glob '*[^a-z0-9-]*'
            and plan_run_id not glob '-*' and plan_run_id not glob '*-'),
    state text not null
        constraint plan_run_state_known check (state in ('queued', 'running', 'succeeded', 'cancelled', 'failed')),
    -- Limits, as asked for: null means the program's default.
    time_limit_millis integer constraint plan_run_time_limit_positive check (time_limit_millis > 0),
    iteration_limit integer constraint plan_run_iteration_limit_positive check (iteration_limit > 0),
    seed integer not null,
    gap_limit real not null constraint plan_run_gap_limit_range check (gap_limit between 0.0 and 1.0),
    limit_as_of_time integer,
    -- The time it plans for.
    as_of_time integer not null,
    shop_revision integer not null constraint plan_run_shop_revision_positive check (shop_revision >= 1),
    -- Null before it has started.
    phase text constraint plan_run_phase_known check (phase in ('construct', 'improve', 'bound', 'exact')),
    -- Null before there is a plan.
    best_price integer,
    bound integer not null,
    -- Null unless it failed.
    failure text,
    cancel_requested integer not null constraint plan_run_cancel_requested_boolean check (cancel_requested in (0, 1)),
    attempts integer not null constraint plan_run_attempts_range check (attempts >= 0),
    -- Null until it was claimed.
    worker text,
    -- Null unless it runs.
    lease_time integer,
    create_time integer not null,
    -- Null until it has left the queue.
    start_time integer,
    -- Null until it has ended.
    end_time integer,
    primary key (shop_id, plan_run_id),
    constraint plan_run_running_has_lease check ((state = 'running') = (lease_time is not null)),
    constraint plan_run_running_has_worker
        check (state <> 'running' or (worker is not null and start_time is not null)),
    constraint plan_run_final_has_end check ((state in ('queued', 'running')) = (end_time is null)),
    constraint plan_run_failed_says_why check ((state = 'failed') = (failure is not null))
) strict, without rowid;

create index plan_run_queue on plan_run (state, create_time, plan_run_id);

create index plan_run_latest on plan_run (shop_id, create_time, plan_run_id);

create trigger plan_run_final_stays before update on plan_run
when old.state in ('succeeded', 'cancelled', 'failed')
begin
    select raise(abort, 'plan_run_final_stays');
end;
