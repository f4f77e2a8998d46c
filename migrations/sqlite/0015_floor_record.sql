-- What happened on the floor: as it was said, and what it met. Measures and learned durations read it.

create table floor_record (
    shop_id text not null references shop on delete cascade,
    -- Counts up within the shop.
    floor_record_id integer not null constraint floor_record_counts check (floor_record_id >= 1),
    kind text not null constraint floor_record_kind_known check (kind in (
        'on', 'off', 'pause', 'finish', 'reopen', 'pass', 'fail', 'swap', 'pin', 'unpin', 'part-ordered',
        'part-expected', 'part-received', 'part-wrong', 'part-damaged', 'part-returned', 'out', 'back', 'down', 'up',
        'short', 'whole', 'overtime'
    )),
    event_time integer not null,
    create_time integer not null,
    actor text not null,
    -- Null if it was not asked for by a request with an id.
    request_id text,
    -- Null unless it is about an order, an operation, a thing.
    order_id text,
    operation_id text,
    subject_id text,
    bay_id text,
    start_time integer,
    end_time integer,
    planned_end_time integer,
    booked_minutes integer constraint floor_record_booked_range check (booked_minutes between 0 and 4294967295),
    count integer constraint floor_record_count_range check (count between 0 and 4294967295),
    measurement text not null,
    reason text not null,
    primary key (shop_id, floor_record_id)
) strict, without rowid;

create index floor_record_order on floor_record (shop_id, order_id, floor_record_id);

create table floor_record_technician (
    shop_id text not null,
    floor_record_id integer not null,
    position integer not null constraint floor_record_technician_position_range check (position >= 0),
    technician_id text not null,
    primary key (shop_id, floor_record_id, position),
    foreign key (shop_id, floor_record_id) references floor_record on delete cascade
) strict, without rowid;

-- What a failed check added.
create table floor_record_operation (
    shop_id text not null,
    floor_record_id integer not null,
    position integer not null constraint floor_record_operation_position_range check (position >= 0),
    operation_id text not null,
    primary key (shop_id, floor_record_id, position),
    foreign key (shop_id, floor_record_id) references floor_record on delete cascade
) strict, without rowid;

create trigger floor_record_fixed before update on floor_record
begin
    select raise(abort, 'floor_record_fixed');
end;
