-- Repair orders: all work on one vehicle.
--
-- Bays, skills, equipment and technicians of the shop are named without a foreign key: who did the work stays on a
-- finished order after they have left the shop. Inside an order every name is held by a foreign key.

create table repair_order (
    shop_id text collate "C" not null references shop on delete cascade,
    order_id text collate "C" not null
        constraint order_id_format
        check (order_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    vehicle text collate "C" not null,
    note text collate "C" not null,
    -- Follows from the operations unless cancelled; kept to be asked for.
    state text collate "C" not null constraint order_state_known check (state in ('open', 'complete', 'cancelled')),
    arrival_time bigint not null,
    arrived boolean not null,
    -- Null if nothing was promised.
    promise_time bigint,
    -- Null means the shop's.
    late_weight bigint constraint order_late_weight_range check (late_weight between 0 and 4294967295),
    flow_weight bigint constraint order_flow_weight_range check (flow_weight between 0 and 4294967295),
    version bigint not null constraint order_version_positive check (version >= 1),
    create_time bigint not null,
    update_time bigint not null,
    primary key (shop_id, order_id),
    constraint order_promise_after_arrival check (arrival_time <= promise_time)
);

create index repair_order_state on repair_order (shop_id, state, order_id);

create table visit (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    visit_id text collate "C" not null
        constraint visit_id_format
        check (visit_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint visit_position_range check (position >= 0),
    bay_class text collate "C" not null constraint visit_bay_class_given check (bay_class <> ''),
    loose_parts boolean not null,
    -- Null if changeovers do not matter.
    family text collate "C" constraint visit_family_given check (family <> ''),
    -- Null while any bay of the class will do.
    bay_id text collate "C" constraint visit_bay_given check (bay_id <> ''),
    primary key (shop_id, order_id, visit_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint visit_position_free unique (shop_id, order_id, position)
);

-- Parts and approvals.
create table need (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    need_id text collate "C" not null
        constraint need_id_format
        check (need_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    kind text collate "C" not null constraint need_kind_known check (kind in ('part', 'approval')),
    position bigint not null constraint need_position_range check (position >= 0),
    display_name text collate "C" not null,
    -- Null if unknown or met.
    expected_time bigint,
    met boolean not null,
    primary key (shop_id, order_id, need_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    constraint need_position_free unique (shop_id, order_id, kind, position)
);

create table operation (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null
        constraint operation_id_format
        check (operation_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint operation_position_range check (position >= 0),
    display_name text collate "C" not null,
    work_minutes bigint not null constraint operation_work_range check (work_minutes between 0 and 4294967295),
    -- Null if it needs no bay.
    visit_id text collate "C",
    interruptible boolean not null,
    -- Null if nothing but its needs holds it back.
    earliest_start_time bigint,
    -- Both null if it does not care who does it.
    same_person_operation_id text collate "C",
    same_person_required boolean,
    pinned boolean not null,
    -- Null leaves the start open.
    pin_start_time bigint,
    state text collate "C" not null constraint operation_state_known check (state in ('waiting', 'running', 'done')),
    -- Null until it has started, has ended, and unless it runs.
    start_time bigint,
    end_time bigint,
    remaining_minutes bigint constraint operation_remaining_range check (remaining_minutes between 0 and 4294967295),
    primary key (shop_id, order_id, operation_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, order_id, visit_id) references visit deferrable initially deferred,
    foreign key (shop_id, order_id, same_person_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    constraint operation_position_free unique (shop_id, order_id, position),
    constraint operation_same_person_whole
        check ((same_person_operation_id is null) = (same_person_required is null)),
    constraint operation_same_person_other check (same_person_operation_id <> operation_id),
    constraint operation_pin_whole check (pinned or pin_start_time is null),
    constraint operation_progress_whole check (
        case state
            when 'waiting' then start_time is null and end_time is null and remaining_minutes is null
            when 'running' then start_time is not null and end_time is null and remaining_minutes is not null
            else start_time is not null and end_time is not null and remaining_minutes is null
        end
    ),
    constraint operation_not_backwards check (start_time <= end_time)
);

-- A skill for each place of the crew.
create table operation_crew (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint operation_crew_position_range check (position >= 0),
    skill_id text collate "C" not null constraint operation_crew_skill_given check (skill_id <> ''),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade
);

-- Who is pinned to it, and who is or was on it: nobody twice.
create table operation_technician (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    role text collate "C" not null constraint operation_technician_role_known check (role in ('pinned', 'working')),
    position bigint not null constraint operation_technician_position_range check (position >= 0),
    technician_id text collate "C" not null constraint operation_technician_given check (technician_id <> ''),
    primary key (shop_id, order_id, operation_id, role, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_technician_once unique (shop_id, order_id, operation_id, role, technician_id)
);

create table operation_equipment (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint operation_equipment_position_range check (position >= 0),
    equipment_id text collate "C" not null constraint operation_equipment_given check (equipment_id <> ''),
    count bigint not null constraint operation_equipment_count_range check (count between 1 and 4294967295),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_equipment_once unique (shop_id, order_id, operation_id, equipment_id)
);

create table operation_need (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint operation_need_position_range check (position >= 0),
    need_id text collate "C" not null,
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    foreign key (shop_id, order_id, need_id) references need deferrable initially deferred,
    constraint operation_need_once unique (shop_id, order_id, operation_id, need_id)
);

create table operation_hazard (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint operation_hazard_position_range check (position >= 0),
    hazard text collate "C" not null constraint operation_hazard_known check (hazard in (
        'high-voltage', 'restraint-system', 'isocyanate', 'uncured-glass', 'raised-vehicle', 'tension', 'refrigerant',
        'welding'
    )),
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    constraint operation_hazard_once unique (shop_id, order_id, operation_id, hazard)
);

create table link (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    position bigint not null constraint link_position_range check (position >= 0),
    from_operation_id text collate "C" not null,
    to_operation_id text collate "C" not null,
    min_wait_minutes bigint not null constraint link_min_wait_range check (min_wait_minutes between 0 and 4294967295),
    -- Null means any wait.
    max_wait_minutes bigint constraint link_max_wait_range check (max_wait_minutes between 0 and 4294967295),
    primary key (shop_id, order_id, position),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, order_id, from_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    foreign key (shop_id, order_id, to_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    constraint link_once unique (shop_id, order_id, from_operation_id, to_operation_id),
    constraint link_not_to_itself check (from_operation_id <> to_operation_id),
    constraint link_waits_in_order check (min_wait_minutes <= max_wait_minutes)
);
