-- Plans: who does what, where and when. Only the state of a plan ever changes.

-- Its operators let an exclusion constraint compare ids as well as intervals.
create extension if not exists btree_gist;

create type text_range as range (subtype = text, collation = "C");

create table plan (
    shop_id text collate "C" not null references shop on delete cascade,
    plan_id text collate "C" not null
        constraint plan_id_format
        check (plan_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    -- Null if no plan run made it.
    plan_run_id text collate "C",
    state text collate "C" not null
        constraint plan_state_known check (state in ('proposed', 'published', 'superseded')),
    shop_revision bigint not null constraint plan_shop_revision_positive check (shop_revision >= 1),
    as_of_time bigint not null,
    horizon_time bigint not null,
    quality text collate "C" not null constraint plan_quality_known check (quality in ('optimal', 'feasible')),
    price_lateness bigint not null constraint plan_price_lateness_range check (price_lateness >= 0),
    price_flow bigint not null constraint plan_price_flow_range check (price_flow >= 0),
    price_overtime bigint not null constraint plan_price_overtime_range check (price_overtime >= 0),
    price_change bigint not null constraint plan_price_change_range check (price_change >= 0),
    price_same_person bigint not null constraint plan_price_same_person_range check (price_same_person >= 0),
    price_outside bigint not null constraint plan_price_outside_range check (price_outside >= 0),
    price_left_out bigint not null constraint plan_price_left_out_range check (price_left_out >= 0),
    bound bigint not null,
    create_time bigint not null,
    primary key (shop_id, plan_id),
    foreign key (shop_id, plan_run_id) references plan_run on delete cascade,
    constraint plan_one_of_run unique (shop_id, plan_run_id),
    constraint plan_horizon_ahead check (as_of_time <= horizon_time),
    constraint plan_bound_holds check (
        bound <= price_lateness + price_flow + price_overtime + price_change + price_same_person + price_outside
            + price_left_out
    )
);

create unique index plan_published_once on plan (shop_id) where state = 'published';

create index plan_latest on plan (shop_id, create_time, plan_id);

create function plan_revision_exists() returns trigger language plpgsql as $$
begin
    if new.shop_revision > (select revision from shop where shop_id = new.shop_id) then
        raise exception using
            message = 'plan_revision_exists', errcode = 'check_violation', constraint = 'plan_revision_exists';
    end if;
    return new;
end;
$$;

create trigger plan_revision_exists before insert on plan
for each row
execute function plan_revision_exists();

create function plan_published_current() returns trigger language plpgsql as $$
begin
    if new.shop_revision <> (select revision from shop where shop_id = new.shop_id) then
        raise exception using
            message = 'plan_published_current', errcode = 'check_violation', constraint = 'plan_published_current';
    end if;
    return new;
end;
$$;

create trigger plan_published_current before update of state on plan
for each row
when (new.state = 'published' and old.state <> 'published')
execute function plan_published_current();

create trigger plan_state_forward before update of state on plan
for each row
when (new.state = 'proposed' and old.state <> 'proposed' or new.state = 'superseded' and old.state = 'proposed')
execute function refuse('plan_state_forward');

create trigger plan_fixed before update of
    shop_id, plan_id, plan_run_id, shop_revision, as_of_time, horizon_time, quality, price_lateness, price_flow,
    price_overtime, price_change, price_same_person, price_outside, price_left_out, bound, create_time
on plan
for each row
execute function refuse('plan_fixed');

create function plan_run_succeeded_has_plan() returns trigger language plpgsql as $$
begin
    if not exists (select 1 from plan where shop_id = new.shop_id and plan_run_id = new.plan_run_id) then
        raise exception using
            message = 'plan_run_succeeded_has_plan', errcode = 'check_violation',
            constraint = 'plan_run_succeeded_has_plan';
    end if;
    return new;
end;
$$;

create trigger plan_run_succeeded_has_plan before update of state on plan_run
for each row
when (new.state = 'succeeded')
execute function plan_run_succeeded_has_plan();

create table plan_order (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    order_id text collate "C" not null,
    position bigint not null constraint plan_order_position_range check (position >= 0),
    vehicle text collate "C" not null,
    arrival_time bigint not null,
    -- Null if nothing was promised.
    promise_time bigint,
    completion_time bigint not null,
    primary key (shop_id, plan_id, order_id),
    foreign key (shop_id, plan_id) references plan on delete cascade,
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint plan_order_position_free unique (shop_id, plan_id, position)
);

create index plan_order_order on plan_order (shop_id, order_id);

create table plan_visit (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    order_id text collate "C" not null,
    visit_id text collate "C" not null,
    position bigint not null constraint plan_visit_position_range check (position >= 0),
    bay_id text collate "C" not null constraint plan_visit_bay_given check (bay_id <> ''),
    loose_parts boolean not null,
    start_time bigint not null,
    end_time bigint not null,
    -- All of its operations had started when the plan was made: facts, which may contradict each other.
    settled boolean not null,
    -- While it holds its bay, set by a trigger. Null if it never does: a fact that was over when the plan was made, and
    -- a visit of no length.
    hold int8range,
    primary key (shop_id, plan_id, order_id, visit_id),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade,
    constraint plan_visit_position_free unique (shop_id, plan_id, order_id, position),
    constraint plan_visit_not_backwards check (start_time <= end_time),
    -- No two visits of one plan in one bay at once, but for two that are facts: a fact is a point of its own among the
    -- visits, and what is planned covers all points.
    constraint plan_visit_bay_free exclude using gist (
        shop_id with =,
        plan_id with =,
        bay_id with =,
        hold with &&,
        (
            case
                when settled then text_range(order_id || '/' || visit_id, order_id || '/' || visit_id, '[]')
                else text_range(null, null)
            end
        ) with &&
    )
);

create index plan_visit_bay on plan_visit (shop_id, plan_id, bay_id, start_time);

create function plan_visit_hold() returns trigger language plpgsql as $$
begin
    new.hold = null;
    if new.start_time < new.end_time and not (
        new.settled
        and new.end_time <= (select as_of_time from plan where shop_id = new.shop_id and plan_id = new.plan_id)
    ) then
        new.hold = int8range(new.start_time, new.end_time);
    end if;
    return new;
end;
$$;

create trigger plan_visit_hold before insert on plan_visit
for each row
execute function plan_visit_hold();

create trigger plan_visit_fixed before update on plan_visit
for each row
execute function refuse('plan_visit_fixed');

create table plan_operation (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint plan_operation_position_range check (position >= 0),
    display_name text collate "C" not null,
    state text collate "C" not null
        constraint plan_operation_state_known check (state in ('planned', 'running', 'done')),
    -- Both null if it needs no bay.
    visit_id text collate "C",
    bay_id text collate "C",
    start_time bigint not null,
    end_time bigint not null,
    overtime boolean not null,
    primary key (shop_id, plan_id, order_id, operation_id),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade,
    foreign key (shop_id, plan_id, order_id, visit_id) references plan_visit deferrable initially deferred,
    constraint plan_operation_position_free unique (shop_id, plan_id, order_id, position),
    constraint plan_operation_bay_of_visit check ((visit_id is null) = (bay_id is null)),
    constraint plan_operation_not_backwards check (start_time <= end_time)
);

create trigger plan_operation_fixed before update on plan_operation
for each row
execute function refuse('plan_operation_fixed');

create table plan_technician (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint plan_technician_position_range check (position >= 0),
    technician_id text collate "C" not null constraint plan_technician_given check (technician_id <> ''),
    primary key (shop_id, plan_id, order_id, operation_id, position),
    foreign key (shop_id, plan_id, order_id, operation_id) references plan_operation on delete cascade,
    constraint plan_technician_once unique (shop_id, plan_id, order_id, operation_id, technician_id)
);

create table plan_delay (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    order_id text collate "C" not null,
    position bigint not null constraint plan_delay_position_range check (position >= 0),
    kind text collate "C" not null constraint plan_delay_kind_known check (kind in (
        'work', 'cure', 'part', 'approval', 'bay', 'technician', 'equipment', 'closed', 'settled', 'other'
    )),
    duration_micros bigint not null constraint plan_delay_duration_range check (duration_micros >= 0),
    -- Null if nothing in particular is waited for.
    subject_id text collate "C",
    -- Null if nobody has it.
    holder_order_id text collate "C",
    operation_id text collate "C" not null,
    until_time bigint not null,
    primary key (shop_id, plan_id, order_id, position),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade
);

create table plan_left_out (
    shop_id text collate "C" not null,
    plan_id text collate "C" not null,
    position bigint not null constraint plan_left_out_position_range check (position >= 0),
    order_id text collate "C" not null,
    reason text collate "C" not null constraint plan_left_out_reason_given check (reason <> ''),
    -- Null if it is about the order as a whole.
    operation_id text collate "C",
    message text collate "C" not null,
    primary key (shop_id, plan_id, position),
    foreign key (shop_id, plan_id) references plan on delete cascade,
    foreign key (shop_id, order_id) references repair_order on delete cascade
);

create index plan_left_out_order on plan_left_out (shop_id, order_id);
