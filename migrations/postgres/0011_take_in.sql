-- What orders were made from: lines of an estimate, what was settled by hand, the car and the day.

create table take_in (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    revision bigint not null,
    -- Null where nothing is known.
    adhesive text collate "C" constraint take_in_adhesive_given check (adhesive <> ''),
    temperature_celsius bigint,
    humidity_percent bigint constraint take_in_humidity_range check (humidity_percent between 1 and 100),
    surface_celsius bigint,
    primary key (shop_id, order_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, revision) references rule_book deferrable initially deferred
);

create table take_in_feature (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    position bigint not null constraint take_in_feature_position_range check (position >= 0),
    feature text collate "C" not null constraint take_in_feature_given check (feature <> ''),
    primary key (shop_id, order_id, position),
    foreign key (shop_id, order_id) references take_in on delete cascade,
    constraint take_in_feature_once unique (shop_id, order_id, feature)
);

create table estimate_line (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    line_id text collate "C" not null
        constraint estimate_line_id_format
        check (line_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint estimate_line_position_range check (position >= 0),
    panel text collate "C" not null constraint estimate_line_panel_given check (panel <> ''),
    work text collate "C" not null constraint estimate_line_work_given check (work <> ''),
    labour text collate "C" not null,
    minutes bigint not null constraint estimate_line_minutes_range check (minutes between 0 and 4294967295),
    part_number text collate "C" not null,
    -- Null if it is not said.
    condition text collate "C" constraint estimate_line_condition_known check (condition in ('new', 'used')),
    -- Null if there is no part, or it is there.
    part_expected_time bigint,
    part_received boolean not null,
    note text collate "C" not null,
    primary key (shop_id, order_id, line_id),
    foreign key (shop_id, order_id) references take_in on delete cascade,
    constraint estimate_line_position_free unique (shop_id, order_id, position)
);
