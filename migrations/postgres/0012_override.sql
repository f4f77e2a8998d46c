-- What was settled by hand about orders that are made from lines.

create table settled (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    position bigint not null constraint settled_position_range check (position >= 0),
    kind text collate "C" not null constraint settled_kind_known check (kind in (
        'work', 'crew', 'link', 'unlink', 'leave_out'
    )),
    -- The later one if it is about two.
    operation_id text collate "C" not null constraint settled_operation_given check (operation_id <> ''),
    -- Null unless it is about two.
    from_operation_id text collate "C",
    -- Null unless it settles hours.
    minutes bigint constraint settled_minutes_range check (minutes between 0 and 4294967295),
    -- Null unless it settles a crew: ids of skills with blanks between them.
    crew text collate "C" constraint settled_crew_given check (crew <> ''),
    -- Null unless it links.
    min_wait_minutes bigint constraint settled_min_wait_range check (min_wait_minutes between 0 and 4294967295),
    max_wait_minutes bigint constraint settled_max_wait_range check (max_wait_minutes between 0 and 4294967295),
    primary key (shop_id, order_id, position),
    foreign key (shop_id, order_id) references take_in on delete cascade,
    constraint settled_whole check (
        (kind in ('link', 'unlink')) = (from_operation_id is not null) and (kind = 'work') = (minutes is not null)
            and (kind = 'crew') = (crew is not null) and (kind = 'link') = (min_wait_minutes is not null)
    )
);
