-- What the floor tells beside progress: pauses, hold points, how the supply of parts stands.

alter table operation
add column
    -- When so much was left; null means at the moment that is planned for.
    remaining_time bigint
        constraint operation_remaining_time_runs check (remaining_time is null or state = 'running');

alter table operation
add column
    -- Null unless it has begun and nobody is on it.
    pause_time bigint
        constraint operation_pause_runs check (pause_time is null or state = 'running' and remaining_time is null);

alter table operation
add column
    pause_reason text collate "C"
        constraint operation_pause_whole check ((pause_time is null) = (pause_reason is null));

alter table operation
add column
    -- What is measured; null unless it is a hold point.
    hold_measure text collate "C";

-- What is done again after a fail.
create table operation_rework (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    operation_id text collate "C" not null,
    position bigint not null constraint operation_rework_position_range check (position >= 0),
    rework_operation_id text collate "C" not null,
    primary key (shop_id, order_id, operation_id, position),
    foreign key (shop_id, order_id, operation_id) references operation on delete cascade,
    foreign key (shop_id, order_id, rework_operation_id)
        references operation (shop_id, order_id, operation_id) deferrable initially deferred,
    constraint operation_rework_once unique (shop_id, order_id, operation_id, rework_operation_id)
);

alter table need
add column
    -- Null if nothing was heard.
    supply text collate "C" constraint need_supply_known check (supply in (
        'ordered', 'expected', 'received', 'wrong', 'damaged', 'returned'
    ));

alter table need
add column
    -- How sure the expected time is; null if nobody said.
    confidence_percent bigint constraint need_confidence_range check (confidence_percent between 1 and 100);
