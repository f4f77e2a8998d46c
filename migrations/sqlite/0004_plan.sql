-- Plans: who does what, where and when. Only the state of a plan ever changes.

create table plan (
    shop_id text not null references shop on delete cascade,
    plan_id text not null
        constraint plan_id_format
        check (length(plan_id) between 1 and 63 and plan_id not glob '*[^a-z0-9-]*'
            and plan_id not glob '-*' and plan_id not glob '*-'),
    -- Null if no plan run made it.
    plan_run_id text,
    state text not null constraint plan_state_known check (state in ('proposed', 'published', 'superseded')),
    shop_revision integer not null constraint plan_shop_revision_positive check (shop_revision >= 1),
    as_of_time integer not null,
    horizon_time integer not null,
    quality text not null constraint plan_quality_known check (quality in ('optimal', 'feasible')),
    price_lateness integer not null constraint plan_price_lateness_range check (price_lateness >= 0),
    price_flow integer not null constraint plan_price_flow_range check (price_flow >= 0),
    price_overtime integer not null constraint plan_price_overtime_range check (price_overtime >= 0),
    price_change integer not null constraint plan_price_change_range check (price_change >= 0),
    price_same_person integer not null constraint plan_price_same_person_range check (price_same_person >= 0),
    price_outside integer not null constraint plan_price_outside_range check (price_outside >= 0),
    price_left_out integer not null constraint plan_price_left_out_range check (price_left_out >= 0),
    bound integer not null,
    create_time integer not null,
    primary key (shop_id, plan_id),
    foreign key (shop_id, plan_run_id) references plan_run on delete cascade,
    constraint plan_one_of_run unique (shop_id, plan_run_id),
    constraint plan_horizon_ahead check (as_of_time <= horizon_time),
    constraint plan_bound_holds check (
        bound <= price_lateness + price_flow + price_overtime + price_change + price_same_person + price_outside
            + price_left_out
    )
) strict, without rowid;

create unique index plan_published_once on plan (shop_id) where state = 'published';

create index plan_latest on plan (shop_id, create_time, plan_id);

create trigger plan_revision_exists before insert on plan
when new.shop_revision > (select revision from shop where shop_id = new.shop_id)
begin
    select raise(abort, 'plan_revision_exists');
end;

create trigger plan_published_current before update of state on plan
when new.state = 'published' and old.state <> 'published'
    and new.shop_revision <> (select revision from shop where shop_id = new.shop_id)
begin
    select raise(abort, 'plan_published_current');
end;

create trigger plan_state_forward before update of state on plan
when new.state = 'proposed' and old.state <> 'proposed' or new.state = 'superseded' and old.state = 'proposed'
begin
    select raise(abort, 'plan_state_forward');
end;

create trigger plan_fixed before update of
    shop_id, plan_id, plan_run_id, shop_revision, as_of_time, horizon_time, quality, price_lateness, price_flow,
    price_overtime, price_change, price_same_person, price_outside, price_left_out, bound, create_time
on plan
begin
    select raise(abort, 'plan_fixed');
end;

create trigger plan_run_succeeded_has_plan before update of state on plan_run
when new.state = 'succeeded'
    and not exists (select 1 from plan where shop_id = new.shop_id and plan_run_id = new.plan_run_id)
begin
    select raise(abort, 'plan_run_succeeded_has_plan');
end;

create table plan_order (
    shop_id text not null,
    plan_id text not null,
    order_id text not null,
    position integer not null constraint plan_order_position_range check (position >= 0),
    vehicle text not null,
    arrival_time integer not null,
    -- Null if nothing was promised.
    promise_time integer,
    completion_time integer not null,
    primary key (shop_id, plan_id, order_id),
    foreign key (shop_id, plan_id) references plan on delete cascade,
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint plan_order_position_free unique (shop_id, plan_id, position)
) strict, without rowid;

create index plan_order_order on plan_order (shop_id, order_id);

create table plan_visit (
    shop_id text not null,
    plan_id text not null,
    order_id text not null,
    visit_id text not null,
    position integer not null constraint plan_visit_position_range check (position >= 0),
    bay_id text not null constraint plan_visit_bay_given check (bay_id <> ''),
    loose_parts integer not null constraint plan_visit_loose_parts_boolean check (loose_parts in (0, 1)),
    start_time integer not null,
    end_time integer not null,
    -- All of its operations had started when the plan was made: facts, which may contradict each other.
    settled integer not null constraint plan_visit_settled_boolean check (settled in (0, 1)),
    primary key (shop_id, plan_id, order_id, visit_id),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade,
    constraint plan_visit_position_free unique (shop_id, plan_id, order_id, position),
    constraint plan_visit_not_backwards check (start_time <= end_time)
) strict, without rowid;

create index plan_visit_bay on plan_visit (shop_id, plan_id, bay_id, start_time);

-- No two visits of one plan in one bay at once, but for two that are facts. A fact that is over holds no bay.
create trigger plan_visit_bay_free before insert on plan_visit
when exists (
    select 1
    from plan_visit other
    join plan using (shop_id, plan_id)
    where shop_id = new.shop_id
        and plan_id = new.plan_id
        and other.bay_id = new.bay_id
        and other.start_time < new.end_time
        and new.start_time < other.end_time
        and not (other.settled and (new.settled or other.end_time <= plan.as_of_time))
        and not (new.settled and new.end_time <= plan.as_of_time)
)
begin
    select raise(abort, 'plan_visit_bay_free');
end;

create trigger plan_visit_fixed before update on plan_visit
begin
    select raise(abort, 'plan_visit_fixed');
end;

create table plan_operation (
    shop_id text not null,
    plan_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint plan_operation_position_range check (position >= 0),
    display_name text not null,
    state text not null constraint plan_operation_state_known check (state in ('planned', 'running', 'done')),
    -- Both null if it needs no bay.
    visit_id text,
    bay_id text,
    start_time integer not null,
    end_time integer not null,
    overtime integer not null constraint plan_operation_overtime_boolean check (overtime in (0, 1)),
    primary key (shop_id, plan_id, order_id, operation_id),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade,
    foreign key (shop_id, plan_id, order_id, visit_id) references plan_visit deferrable initially deferred,
    constraint plan_operation_position_free unique (shop_id, plan_id, order_id, position),
    constraint plan_operation_bay_of_visit check ((visit_id is null) = (bay_id is null)),
    constraint plan_operation_not_backwards check (start_time <= end_time)
) strict, without rowid;

create trigger plan_operation_fixed before update on plan_operation
begin
    select raise(abort, 'plan_operation_fixed');
end;

create table plan_technician (
    shop_id text not null,
    plan_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint plan_technician_position_range check (position >= 0),
    technician_id text not null constraint plan_technician_given check (technician_id <> ''),
    primary key (shop_id, plan_id, order_id, operation_id, position),
    foreign key (shop_id, plan_id, order_id, operation_id) references plan_operation on delete cascade,
    constraint plan_technician_once unique (shop_id, plan_id, order_id, operation_id, technician_id)
) strict, without rowid;

create table plan_delay (
    shop_id text not null,
    plan_id text not null,
    order_id text not null,
    position integer not null constraint plan_delay_position_range check (position >= 0),
    kind text not null constraint plan_delay_kind_known check (kind in (
        'work', 'cure', 'part', 'approval', 'bay', 'technician', 'equipment', 'closed', 'settled', 'other'
    )),
    duration_micros integer not null constraint plan_delay_duration_range check (duration_micros >= 0),
    -- Null if nothing in particular is waited for.
    subject_id text,
    -- Null if nobody has it.
    holder_order_id text,
    operation_id text not null,
    until_time integer not null,
    primary key (shop_id, plan_id, order_id, position),
    foreign key (shop_id, plan_id, order_id) references plan_order on delete cascade
) strict, without rowid;

create table plan_left_out (
    shop_id text not null,
    plan_id text not null,
    position integer not null constraint plan_left_out_position_range check (position >= 0),
    order_id text not null,
    reason text not null constraint plan_left_out_reason_given check (reason <> ''),
    -- Null if it is about the order as a whole.
    operation_id text,
    message text not null,
    primary key (shop_id, plan_id, position),
    foreign key (shop_id, plan_id) references plan on delete cascade,
    foreign key (shop_id, order_id) references repair_order on delete cascade
) strict, without rowid;

create index plan_left_out_order on plan_left_out (shop_id, order_id);
