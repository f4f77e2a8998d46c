-- Repair orders: all work on one vehicle.
--
-- Bays, skills, equipment and technicians of the shop are named without a foreign key: who did the work stays on a
-- finished order after they have left the shop. Inside an order every name is held by a foreign key.

create table repair_order (
    shop_id text not null references shop on delete cascade,
    order_id text not null
        constraint order_id_format
        check (length(order_id) between 1 and 63 and order_id not glob '*[^a-z0-9-]*'
            and order_id not glob '-*' and order_id not glob '*-'),
    vehicle text not null,
    note text not null,
    -- Follows from the operations unless cancelled; kept to be asked for.
    state text not null constraint order_state_known check (state in ('open', 'complete', 'cancelled')),
    arrival_time integer not null,
    arrived integer not null constraint order_arrived_boolean check (arrived in (0, 1)),
    -- Null if nothing was promised.
    promise_time integer,
    -- Null means the shop's.
    late_weight integer constraint order_late_weight_range check (late_weight between 0 and 4294967295),
    flow_weight integer constraint order_flow_weight_range check (flow_weight between 0 and 4294967295),
    version integer not null constraint order_version_positive check (version >= 1),
    create_time integer not null,
    update_time integer not null,
    primary key (shop_id, order_id),
    constraint order_promise_after_arrival check (arrival_time <= promise_time)
) strict, without rowid;

create index repair_order_state on repair_order (shop_id, state, order_id);

create table visit (
    shop_id text not null,
    order_id text not null,
    visit_id text not null
        constraint visit_id_format
        check (length(visit_id) between 1 and 63 and visit_id not glob '*[^a-z0-9-]*'
            and visit_id not glob '-*' and visit_id not glob '*-'),
    position integer not null constraint visit_position_range check (position >= 0),
    bay_class text not null constraint visit_bay_class_given check (bay_class <> ''),
    loose_parts integer not null constraint visit_loose_parts_boolean check (loose_parts in (0, 1)),
    -- Null if changeovers do not matter.
    family text constraint visit_family_given check (family <> ''),
    -- Null while any bay of the class will do.
    bay_id text constraint visit_bay_given check (bay_id <> ''),
    primary key (shop_id, order_id, visit_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint visit_position_free unique (shop_id, order_id, position)
) strict, without rowid;

-- Parts and approvals.
create table need (
    shop_id text not null,
    order_id text not null,
    need_id text not null
        constraint need_id_format
        check (length(need_id) between 1 and 63 and need_id not glob '*[^a-z0-9-]*'
            and need_id not glob '-*' and need_id not glob '*-'),
    kind text not null constraint need_kind_known check (kind in ('part', 'approval')),
    position integer not null constraint need_position_range check (position >= 0),
    display_name text not null,
    -- Null if unknown or met.
    expected_time integer,
    met integer not null constraint need_met_boolean check (met in (0, 1)),
    primary key (shop_id, order_id, need_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint need_position_free unique (shop_id, order_id, kind, position)
) strict, without rowid;

create table operation (
    shop_id text not null,
    order_id text not null,
    operation_id text not null
        constraint operation_id_format
        check (length(operation_id) between 1 and 63 and operation_id not glob '*[^a-z0-9-]*'
            and operation_id not glob '-*' and operation_id not glob '*-'),
    position integer not null constraint operation_position_range check (position >= 0),
    display_name text not null,
    work_minutes integer not null constraint operation_work_range check (work_minutes between 0 and 4294967295),
    -- Null if it needs no bay.
    visit_id text,
    interruptible integer not null constraint operation_interruptible_boolean check (interruptible in (0, 1)),
    -- Null if nothing but its needs holds it back.
    earliest_start_time integer,
    -- Both null if it does not care who does it.
    same_person_operation_id text,
    same_person_required integer constraint operation_same_person_boolean check (same_person_required in (0, 1)),
    pinned integer not null constraint operation_pinned_boolean check (pinned in (0, 1)),
    -- Null leaves the start open.
    pin_start_time integer,
    state text not null constraint operation_state_known check (state in ('waiting', 'running', 'done')),
    -- Null until it has started, has ended, and unless it runs.
    start_time integer,
    end_time integer,
    remaining_minutes integer constraint operation_remaining_range check (remaining_minutes between 0 and 4294967295),
    primary key (shop_id, order_id, operation_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, order_id, visit_id) references visit deferrable initially deferred,
    foreign key (shop_id, order_id, same_person_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    constraint operation_position_free unique (shop_id, order_id, position),
    constraint operation_same_person_whole
        check ((same_person_operation_id is null) = (same_person_required is null)),
    constraint operation_same_person_other check (same_person_operation_id <> operation_id),
    constraint operation_pin_whole check (pinned = 1 or pin_start_time is null),
    constraint operation_progress_whole check (
        case state
            when 'waiting' then start_time is null and end_time is null and remaining_minutes is null
            when 'running' then start_time is not null and end_time is null and remaining_minutes is not null
            else start_time is not null and end_time is not null and remaining_minutes is null
        end
    ),
    constraint operation_not_backwards check (start_time <= end_time)
) strict, without rowid;

-- A skill for each place of the crew.
create table operation_crew (
    shop_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint operation_crew_position_range check (position >= 0),
    skill_id text not null constraint operation_crew_skill_given check (skill_id <> ''),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade
) strict, without rowid;

-- Who is pinned to it, and who is or was on it: nobody twice.
create table operation_technician (
    shop_id text not null,
    order_id text not null,
    operation_id text not null,
    role text not null constraint operation_technician_role_known check (role in ('pinned', 'working')),
    position integer not null constraint operation_technician_position_range check (position >= 0),
    technician_id text not null constraint operation_technician_given check (technician_id <> ''),
    primary key (shop_id, order_id, operation_id, role, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_technician_once unique (shop_id, order_id, operation_id, role, technician_id)
) strict, without rowid;

create table operation_equipment (
    shop_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint operation_equipment_position_range check (position >= 0),
    equipment_id text not null constraint operation_equipment_given check (equipment_id <> ''),
    count integer not null constraint operation_equipment_count_range check (count between 1 and 4294967295),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_equipment_once unique (shop_id, order_id, operation_id, equipment_id)
) strict, without rowid;

create table operation_need (
    shop_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint operation_need_position_range check (position >= 0),
    need_id text not null,
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    foreign key (shop_id, order_id, need_id) references need deferrable initially deferred,
    constraint operation_need_once unique (shop_id, order_id, operation_id, need_id)
) strict, without rowid;

create table operation_hazard (
    shop_id text not null,
    order_id text not null,
    operation_id text not null,
    position integer not null constraint operation_hazard_position_range check (position >= 0),
    hazard text not null constraint operation_hazard_known check (hazard in (
        'high-voltage', 'restraint-system', 'isocyanate', 'uncured-glass', 'raised-vehicle', 'tension', 'refrigerant',
        'welding'
    )),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_hazard_once unique (shop_id, order_id, operation_id, hazard)
) strict, without rowid;

create table link (
    shop_id text not null,
    order_id text not null,
    position integer not null constraint link_position_range check (position >= 0),
    from_operation_id text not null,
    to_operation_id text not null,
    min_wait_minutes integer not null constraint link_min_wait_range check (min_wait_minutes between 0 and 4294967295),
    -- Null means any wait.
    max_wait_minutes integer constraint link_max_wait_range check (max_wait_minutes between 0 and 4294967295),
    primary key (shop_id, order_id, position),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, order_id, from_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    foreign key (shop_id, order_id, to_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    constraint link_once unique (shop_id, order_id, from_operation_id, to_operation_id),
    constraint link_not_to_itself check (from_operation_id <> to_operation_id),
    constraint link_waits_in_order check (min_wait_minutes <= max_wait_minutes)
) strict, without rowid;
