-- Shops: what is there, who works there, and when.
--
-- Of the whole schema: instants are whole microseconds since 1970-01-01T00:00:00Z. Numbers rather than text because
-- they compare, subtract and index alike in every database, and a timestamp of PostgreSQL is no finer. Dates and
-- minutes of the day are those of the shop's zone. Intervals are half-open. Ordered rows count their position from 0.
-- Everything a shop owns goes with it. Text compares byte by byte, as in every other database.

-- Refuses a change by the name of the rule that it breaks, as if it were a check.
create function refuse() returns trigger language plpgsql as $$
begin
    raise exception using message = tg_argv[0], errcode = 'check_violation', constraint = tg_argv[0];
end;
$$;

-- Tells whether a text is a date of the form YYYY-MM-DD.
create function is_date(value text) returns boolean language plpgsql immutable strict as $$
begin
    return value ~ '^[0-9]{4}-[0-9]{2}-[0-9]{2}$'
        and make_date(substr(value, 1, 4)::int, substr(value, 6, 2)::int, substr(value, 9, 2)::int) is not null;
exception when datetime_field_overflow then
    return false;
end;
$$;

create table shop (
    shop_id text collate "C" not null primary key
        constraint shop_id_format
        check (shop_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    display_name text collate "C" not null,
    time_zone text collate "C" not null constraint shop_time_zone_given check (time_zone <> ''),
    -- Settings: null means the program's default.
    grid_minutes bigint constraint shop_grid_minutes_known check (grid_minutes in (1, 5, 10, 15, 30)),
    horizon_days bigint constraint shop_horizon_days_range check (horizon_days between 1 and 366),
    late_weight bigint constraint shop_late_weight_range check (late_weight between 0 and 4294967295),
    flow_weight bigint constraint shop_flow_weight_range check (flow_weight between 0 and 4294967295),
    overtime_weight bigint constraint shop_overtime_weight_range check (overtime_weight between 0 and 4294967295),
    freeze_minutes bigint constraint shop_freeze_minutes_range check (freeze_minutes between 0 and 4294967295),
    person_change_price bigint
        constraint shop_person_change_price_range check (person_change_price between 0 and 4294967295),
    bay_change_price bigint constraint shop_bay_change_price_range check (bay_change_price between 0 and 4294967295),
    day_change_price bigint constraint shop_day_change_price_range check (day_change_price between 0 and 4294967295),
    soon_factor bigint constraint shop_soon_factor_range check (soon_factor between 0 and 4294967295),
    same_person_price bigint
        constraint shop_same_person_price_range check (same_person_price between 0 and 4294967295),
    outside_limit bigint constraint shop_outside_limit_range check (outside_limit between 0 and 4294967295),
    outside_weight bigint constraint shop_outside_weight_range check (outside_weight between 0 and 4294967295),
    -- Counts changes of the shop and of its orders.
    revision bigint not null constraint shop_revision_positive check (revision >= 1),
    -- Counts changes of the shop itself.
    version bigint not null constraint shop_version_range check (version between 1 and revision),
    create_time bigint not null,
    update_time bigint not null
);

create trigger shop_revision_grows before update of revision, version on shop
for each row
when (new.revision < old.revision or new.version < old.version)
execute function refuse('shop_revision_grows');

create table skill (
    shop_id text collate "C" not null references shop on delete cascade,
    skill_id text collate "C" not null
        constraint skill_id_format
        check (skill_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint skill_position_range check (position >= 0),
    primary key (shop_id, skill_id),
    constraint skill_position_free unique (shop_id, position)
);

create table calendar (
    shop_id text collate "C" not null references shop on delete cascade,
    calendar_id text collate "C" not null
        constraint calendar_id_format
        check (calendar_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint calendar_position_range check (position >= 0),
    primary key (shop_id, calendar_id),
    constraint calendar_position_free unique (shop_id, position)
);

create table shift (
    shop_id text collate "C" not null,
    calendar_id text collate "C" not null,
    shift_position bigint not null constraint shift_position_range check (shift_position >= 0),
    start_minute bigint not null constraint shift_start_range check (start_minute >= 0),
    end_minute bigint not null constraint shift_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, shift_position),
    foreign key (shop_id, calendar_id) references calendar on delete cascade,
    constraint shift_not_empty check (start_minute < end_minute)
);

create table shift_day (
    shop_id text collate "C" not null,
    calendar_id text collate "C" not null,
    shift_position bigint not null,
    position bigint not null constraint shift_day_position_range check (position >= 0),
    -- 1 is Monday.
    weekday bigint not null constraint shift_day_weekday_range check (weekday between 1 and 7),
    primary key (shop_id, calendar_id, shift_position, position),
    foreign key (shop_id, calendar_id, shift_position) references shift on delete cascade,
    constraint shift_day_once unique (shop_id, calendar_id, shift_position, weekday)
);

create table shift_break (
    shop_id text collate "C" not null,
    calendar_id text collate "C" not null,
    shift_position bigint not null,
    position bigint not null constraint shift_break_position_range check (position >= 0),
    start_minute bigint not null constraint shift_break_start_range check (start_minute >= 0),
    end_minute bigint not null constraint shift_break_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, shift_position, position),
    foreign key (shop_id, calendar_id, shift_position) references shift on delete cascade,
    constraint shift_break_not_empty check (start_minute < end_minute)
);

create table calendar_exception (
    shop_id text collate "C" not null,
    calendar_id text collate "C" not null,
    exception_position bigint not null constraint calendar_exception_position_range check (exception_position >= 0),
    -- Format: YYYY-MM-DD, so that text compares as dates do.
    start_date text collate "C" not null constraint calendar_exception_start_format check (is_date(start_date)),
    end_date text collate "C" not null constraint calendar_exception_end_format check (is_date(end_date)),
    note text collate "C" not null,
    primary key (shop_id, calendar_id, exception_position),
    foreign key (shop_id, calendar_id) references calendar on delete cascade,
    constraint calendar_exception_not_empty check (start_date < end_date)
);

create table calendar_exception_opening (
    shop_id text collate "C" not null,
    calendar_id text collate "C" not null,
    exception_position bigint not null,
    position bigint not null constraint calendar_exception_opening_position_range check (position >= 0),
    start_minute bigint not null constraint calendar_exception_opening_start_range check (start_minute >= 0),
    end_minute bigint not null constraint calendar_exception_opening_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, exception_position, position),
    foreign key (shop_id, calendar_id, exception_position) references calendar_exception on delete cascade,
    constraint calendar_exception_opening_not_empty check (start_minute < end_minute)
);

create table holiday (
    shop_id text collate "C" not null references shop on delete cascade,
    position bigint not null constraint holiday_position_range check (position >= 0),
    date text collate "C" not null constraint holiday_date_format check (is_date(date)),
    display_name text collate "C" not null,
    primary key (shop_id, position),
    constraint holiday_once unique (shop_id, date)
);

create table bay (
    shop_id text collate "C" not null references shop on delete cascade,
    bay_id text collate "C" not null
        constraint bay_id_format
        check (bay_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint bay_position_range check (position >= 0),
    display_name text collate "C" not null,
    primary key (shop_id, bay_id),
    constraint bay_position_free unique (shop_id, position)
);

create table bay_class (
    shop_id text collate "C" not null,
    bay_id text collate "C" not null,
    position bigint not null constraint bay_class_position_range check (position >= 0),
    class_id text collate "C" not null
        constraint bay_class_id_format
        check (class_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    primary key (shop_id, bay_id, position),
    foreign key (shop_id, bay_id) references bay on delete cascade,
    constraint bay_class_once unique (shop_id, bay_id, class_id)
);

create table bay_downtime (
    shop_id text collate "C" not null,
    bay_id text collate "C" not null,
    position bigint not null constraint bay_downtime_position_range check (position >= 0),
    start_time bigint not null,
    end_time bigint not null,
    note text collate "C" not null,
    primary key (shop_id, bay_id, position),
    foreign key (shop_id, bay_id) references bay on delete cascade,
    constraint bay_downtime_not_empty check (start_time < end_time)
);

create table equipment (
    shop_id text collate "C" not null references shop on delete cascade,
    equipment_id text collate "C" not null
        constraint equipment_id_format
        check (equipment_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint equipment_position_range check (position >= 0),
    display_name text collate "C" not null,
    count bigint not null constraint equipment_count_range check (count between 1 and 4294967295),
    primary key (shop_id, equipment_id),
    constraint equipment_position_free unique (shop_id, position)
);

create table equipment_outage (
    shop_id text collate "C" not null,
    equipment_id text collate "C" not null,
    position bigint not null constraint equipment_outage_position_range check (position >= 0),
    start_time bigint not null,
    end_time bigint not null,
    note text collate "C" not null,
    count bigint not null constraint equipment_outage_count_range check (count between 1 and 4294967295),
    primary key (shop_id, equipment_id, position),
    foreign key (shop_id, equipment_id) references equipment on delete cascade,
    constraint equipment_outage_not_empty check (start_time < end_time)
);

create table technician (
    shop_id text collate "C" not null references shop on delete cascade,
    technician_id text collate "C" not null
        constraint technician_id_format
        check (technician_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    position bigint not null constraint technician_position_range check (position >= 0),
    display_name text collate "C" not null,
    calendar_id text collate "C" not null,
    primary key (shop_id, technician_id),
    foreign key (shop_id, calendar_id) references calendar deferrable initially deferred,
    constraint technician_position_free unique (shop_id, position)
);

create table technician_skill (
    shop_id text collate "C" not null,
    technician_id text collate "C" not null,
    position bigint not null constraint technician_skill_position_range check (position >= 0),
    skill_id text collate "C" not null,
    efficiency_percent bigint not null
        constraint technician_skill_efficiency_range check (efficiency_percent between 1 and 4294967295),
    primary key (shop_id, technician_id, position),
    foreign key (shop_id, technician_id) references technician on delete cascade,
    foreign key (shop_id, skill_id) references skill deferrable initially deferred,
    constraint technician_skill_once unique (shop_id, technician_id, skill_id)
);

create table technician_period (
    shop_id text collate "C" not null,
    technician_id text collate "C" not null,
    kind text collate "C" not null constraint technician_period_kind_known check (kind in ('absence', 'overtime')),
    position bigint not null constraint technician_period_position_range check (position >= 0),
    start_time bigint not null,
    end_time bigint not null,
    note text collate "C" not null,
    primary key (shop_id, technician_id, kind, position),
    foreign key (shop_id, technician_id) references technician on delete cascade,
    constraint technician_period_not_empty check (start_time < end_time)
);

create table changeover (
    shop_id text collate "C" not null references shop on delete cascade,
    position bigint not null constraint changeover_position_range check (position >= 0),
    from_family text collate "C" not null constraint changeover_from_given check (from_family <> ''),
    to_family text collate "C" not null constraint changeover_to_given check (to_family <> ''),
    minutes bigint not null constraint changeover_minutes_range check (minutes between 0 and 4294967295),
    primary key (shop_id, position),
    constraint changeover_once unique (shop_id, from_family, to_family)
);
