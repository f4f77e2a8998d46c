-- What happened on the floor: as it was said, and what it met. Measures and learned durations read it.

create table floor_record (
    shop_id text collate "C" not null references shop on delete cascade,
    -- Counts up within the shop.
    floor_record_id bigint not null constraint floor_record_counts check (floor_record_id >= 1),
    kind text collate "C" not null constraint floor_record_kind_known check (kind in (
        'on', 'off', 'pause', 'finish', 'reopen', 'pass', 'fail', 'swap', 'pin', 'unpin', 'part-ordered',
        'part-expected', 'part-received', 'part-wrong', 'part-damaged', 'part-returned', 'out', 'back', 'down', 'up',
        'short', 'whole', 'overtime'
    )),
    event_time bigint not null,
    create_time bigint not null,
    actor text collate "C" not null,
    -- Null if it was not asked for by a request with an id.
    request_id text collate "C",
    -- Null unless it is about an order, an operation, a thing.
    order_id text collate "C",
    operation_id text collate "C",
    subject_id text collate "C",
    bay_id text collate "C",
    start_time bigint,
    end_time bigint,
    planned_end_time bigint,
    booked_minutes bigint constraint floor_record_booked_range check (booked_minutes between 0 and 4294967295),
    count bigint constraint floor_record_count_range check (count between 0 and 4294967295),
    measurement text collate "C" not null,
    reason text collate "C" not null,
    primary key (shop_id, floor_record_id)
);

create index floor_record_order on floor_record (shop_id, order_id, floor_record_id);

create table floor_record_technician (
    shop_id text collate "C" not null,
    floor_record_id bigint not null,
    position bigint not null constraint floor_record_technician_position_range check (position >= 0),
    technician_id text collate "C" not null,
    primary key (shop_id, floor_record_id, position),
    foreign key (shop_id, floor_record_id) references floor_record on delete cascade
);

-- What a failed check added.
create table floor_record_operation (
    shop_id text collate "C" not null,
    floor_record_id bigint not null,
    position bigint not null constraint floor_record_operation_position_range check (position >= 0),
    operation_id text collate "C" not null,
    primary key (shop_id, floor_record_id, position),
    foreign key (shop_id, floor_record_id) references floor_record on delete cascade
);

create trigger floor_record_fixed before update on floor_record
for each row
execute function refuse('floor_record_fixed');
