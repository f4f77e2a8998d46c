-- Plan runs: searches for plans, and who works on them.

create table plan_run (
    shop_id text collate "C" not null references shop on delete cascade,
    plan_run_id text collate "C" not null
        constraint plan_run_id_format
        check (plan_run_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    state text collate "C" not null
        constraint plan_run_state_known check (state in ('queued', 'running', 'succeeded', 'cancelled', 'failed')),
    -- Limits, as asked for: null means the program's default.
    time_limit_millis bigint constraint plan_run_time_limit_positive check (time_limit_millis > 0),
    iteration_limit bigint constraint plan_run_iteration_limit_positive check (iteration_limit > 0),
    seed bigint not null,
    gap_limit double precision not null constraint plan_run_gap_limit_range check (gap_limit between 0.0 and 1.0),
    limit_as_of_time bigint,
    -- The time it plans for.
    as_of_time bigint not null,
    shop_revision bigint not null constraint plan_run_shop_revision_positive check (shop_revision >= 1),
    -- Null before it has started.
    phase text collate "C" constraint plan_run_phase_known check (phase in ('construct', 'improve', 'bound', 'exact')),
    -- Null before there is a plan.
    best_price bigint,
    bound bigint not null,
    -- Null unless it failed.
    failure text collate "C",
    cancel_requested boolean not null,
    attempts bigint not null constraint plan_run_attempts_range check (attempts >= 0),
    -- Null until it was claimed.
    worker text collate "C",
    -- Null unless it runs.
    lease_time bigint,
    create_time bigint not null,
    -- Null until it has left the queue.
    start_time bigint,
    -- Null until it has ended.
    end_time bigint,
    primary key (shop_id, plan_run_id),
    constraint plan_run_running_has_lease check ((state = 'running') = (lease_time is not null)),
    constraint plan_run_running_has_worker
        check (state <> 'running' or (worker is not null and start_time is not null)),
    constraint plan_run_final_has_end check ((state in ('queued', 'running')) = (end_time is null)),
    constraint plan_run_failed_says_why check ((state = 'failed') = (failure is not null))
);

create index plan_run_queue on plan_run (state, create_time, plan_run_id);

create index plan_run_latest on plan_run (shop_id, create_time, plan_run_id);

create trigger plan_run_final_stays before update on plan_run
for each row
when (old.state in ('succeeded', 'cancelled', 'failed'))
execute function refuse('plan_run_final_stays');

-- Tells every server that listens, when the change is committed.
create function plan_run_tell() returns trigger language plpgsql as $$
begin
    perform pg_notify('fitup_plan_run', new.shop_id || '/' || new.plan_run_id);
    return null;
end;
$$;

create trigger plan_run_told after insert or update on plan_run
for each row
execute function plan_run_tell();
