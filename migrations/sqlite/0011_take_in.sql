-- What orders were made from: lines of an estimate, what was settled by hand, the car and the day.

create table take_in (
    shop_id text not null,
    order_id text not null,
    revision integer not null,
    -- Null where nothing is known.
    adhesive text constraint take_in_adhesive_given check (adhesive <> ''),
    temperature_celsius integer,
    humidity_percent integer constraint take_in_humidity_range check (humidity_percent between 1 and 100),
    surface_celsius integer,
    primary key (shop_id, order_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, revision) references rule_book deferrable initially deferred
) strict, without rowid;

create table take_in_feature (
    shop_id text not null,
    order_id text not null,
    position integer not null constraint take_in_feature_position_range check (position >= 0),
    feature text not null constraint take_in_feature_given check (feature <> ''),
    primary key (shop_id, order_id, position),
    foreign key (shop_id, order_id) references take_in on delete cascade,
    constraint take_in_feature_once unique (shop_id, order_id, feature)
) strict, without rowid;

create table estimate_line (
    shop_id text not null,
    order_id text not null,
    line_id text not null
        constraint estimate_line_id_format
        check (length(line_id) between 1 and 63 and line_id not glob '*[^a-z0-9-]*'
            and line_id not glob '-*' and line_id not glob '*-'),
    position integer not null constraint estimate_line_position_range check (position >= 0),
    panel text not null constraint estimate_line_panel_given check (panel <> ''),
    work text not null constraint estimate_line_work_given check (work <> ''),
    labour text not null,
    minutes integer not null constraint estimate_line_minutes_range check (minutes between 0 and 4294967295),
    part_number text not null,
    -- Null if it is not said.
    condition text constraint estimate_line_condition_known check (condition in ('new', 'used')),
    -- Null if there is no part, or it is there.
    part_expected_time integer,
    part_received integer not null constraint estimate_line_part_received_boolean check (part_received in (0, 1)),
    note text not null,
    primary key (shop_id, order_id, line_id),
    foreign key (shop_id, order_id) references take_in on delete cascade,
    constraint estimate_line_position_free unique (shop_id, order_id, position)
) strict, without rowid;
