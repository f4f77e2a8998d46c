-- Shops: what is there, who works there, and when.
--
-- Of the whole schema: instants are whole microseconds since 1970-01-01T00:00:00Z. Numbers rather than text because
-- they compare, subtract and index alike in every database, and a timestamp of PostgreSQL is no finer. Dates and
-- minutes of the day are those of the shop's zone. Intervals are half-open. Ordered rows count their position from 0.
-- Everything a shop owns goes with it.

create table shop (
    shop_id text not null primary key
        constraint shop_id_format
        check (length(shop_id) between 1 and 63 and shop_id not glob '*[^a-z0-9-]*'
            and shop_id not glob '-*' and shop_id not glob '*-'),
    display_name text not null,
    time_zone text not null constraint shop_time_zone_given check (time_zone <> ''),
    -- Settings: null means the program's default.
    grid_minutes integer constraint shop_grid_minutes_known check (grid_minutes in (1, 5, 10, 15, 30)),
    horizon_days integer constraint shop_horizon_days_range check (horizon_days between 1 and 366),
    late_weight integer constraint shop_late_weight_range check (late_weight between 0 and 4294967295),
    flow_weight integer constraint shop_flow_weight_range check (flow_weight between 0 and 4294967295),
    overtime_weight integer constraint shop_overtime_weight_range check (overtime_weight between 0 and 4294967295),
    freeze_minutes integer constraint shop_freeze_minutes_range check (freeze_minutes between 0 and 4294967295),
    person_change_price integer
        constraint shop_person_change_price_range check (person_change_price between 0 and 4294967295),
    bay_change_price integer constraint shop_bay_change_price_range check (bay_change_price between 0 and 4294967295),
    day_change_price integer constraint shop_day_change_price_range check (day_change_price between 0 and 4294967295),
    soon_factor integer constraint shop_soon_factor_range check (soon_factor between 0 and 4294967295),
    same_person_price integer
        constraint shop_same_person_price_range check (same_person_price between 0 and 4294967295),
    outside_limit integer constraint shop_outside_limit_range check (outside_limit between 0 and 4294967295),
    outside_weight integer constraint shop_outside_weight_range check (outside_weight between 0 and 4294967295),
    -- Counts changes of the shop and of its orders.
    revision integer not null constraint shop_revision_positive check (revision >= 1),
    -- Counts changes of the shop itself.
    version integer not null constraint shop_version_range check (version between 1 and revision),
    create_time integer not null,
    update_time integer not null
) strict;

create trigger shop_revision_grows before update of revision, version on shop
when new.revision < old.revision or new.version < old.version
begin
    select raise(abort, 'shop_revision_grows');
end;

create table skill (
    shop_id text not null references shop on delete cascade,
    skill_id text not null
        constraint skill_id_format
        check (length(skill_id) between 1 and 63 and skill_id not glob '*[^a-z0-9-]*'
            and skill_id not glob '-*' and skill_id not glob '*-'),
    position integer not null constraint skill_position_range check (position >= 0),
    primary key (shop_id, skill_id),
    constraint skill_position_free unique (shop_id, position)
) strict, without rowid;

create table calendar (
    shop_id text not null references shop on delete cascade,
    calendar_id text not null
        constraint calendar_id_format
        check (length(calendar_id) between 1 and 63 and calendar_id not glob '*[^a-z0-9-]*'
            and calendar_id not glob '-*' and calendar_id not glob '*-'),
    position integer not null constraint calendar_position_range check (position >= 0),
    primary key (shop_id, calendar_id),
    constraint calendar_position_free unique (shop_id, position)
) strict, without rowid;

create table shift (
    shop_id text not null,
    calendar_id text not null,
    shift_position integer not null constraint shift_position_range check (shift_position >= 0),
    start_minute integer not null constraint shift_start_range check (start_minute >= 0),
    end_minute integer not null constraint shift_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, shift_position),
    foreign key (shop_id, calendar_id) references calendar on delete cascade,
    constraint shift_not_empty check (start_minute < end_minute)
) strict, without rowid;

create table shift_day (
    shop_id text not null,
    calendar_id text not null,
    shift_position integer not null,
    position integer not null constraint shift_day_position_range check (position >= 0),
    -- 1 is Monday.
    weekday integer not null constraint shift_day_weekday_range check (weekday between 1 and 7),
    primary key (shop_id, calendar_id, shift_position, position),
    foreign key (shop_id, calendar_id, shift_position) references shift on delete cascade,
    constraint shift_day_once unique (shop_id, calendar_id, shift_position, weekday)
) strict, without rowid;

create table shift_break (
    shop_id text not null,
    calendar_id text not null,
    shift_position integer not null,
    position integer not null constraint shift_break_position_range check (position >= 0),
    start_minute integer not null constraint shift_break_start_range check (start_minute >= 0),
    end_minute integer not null constraint shift_break_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, shift_position, position),
    foreign key (shop_id, calendar_id, shift_position) references shift on delete cascade,
    constraint shift_break_not_empty check (start_minute < end_minute)
) strict, without rowid;

create table calendar_exception (
    shop_id text not null,
    calendar_id text not null,
    exception_position integer not null constraint calendar_exception_position_range check (exception_position >= 0),
    -- Format: YYYY-MM-DD, so that text compares as dates do.
    start_date text not null constraint calendar_exception_start_format check (date(start_date) is start_date),
    end_date text not null constraint calendar_exception_end_format check (date(end_date) is end_date),
    note text not null,
    primary key (shop_id, calendar_id, exception_position),
    foreign key (shop_id, calendar_id) references calendar on delete cascade,
    constraint calendar_exception_not_empty check (start_date < end_date)
) strict, without rowid;

create table calendar_exception_opening (
    shop_id text not null,
    calendar_id text not null,
    exception_position integer not null,
    position integer not null constraint calendar_exception_opening_position_range check (position >= 0),
    start_minute integer not null constraint calendar_exception_opening_start_range check (start_minute >= 0),
    end_minute integer not null constraint calendar_exception_opening_end_range check (end_minute <= 1440),
    primary key (shop_id, calendar_id, exception_position, position),
    foreign key (shop_id, calendar_id, exception_position) references calendar_exception on delete cascade,
    constraint calendar_exception_opening_not_empty check (start_minute < end_minute)
) strict, without rowid;

create table holiday (
    shop_id text not null references shop on delete cascade,
    position integer not null constraint holiday_position_range check (position >= 0),
    date text not null constraint holiday_date_format check (date(date) is date),
    display_name text not null,
    primary key (shop_id, position),
    constraint holiday_once unique (shop_id, date)
) strict, without rowid;

create table bay (
    shop_id text not null references shop on delete cascade,
    bay_id text not null
        constraint bay_id_format
        check (length(bay_id) between 1 and 63 and bay_id not glob '*[^a-z0-9-]*'
            and bay_id not glob '-*' and bay_id not glob '*-'),
    position integer not null constraint bay_position_range check (position >= 0),
    display_name text not null,
    primary key (shop_id, bay_id),
    constraint bay_position_free unique (shop_id, position)
) strict, without rowid;

create table bay_class (
    shop_id text not null,
    bay_id text not null,
    position integer not null constraint bay_class_position_range check (position >= 0),
    class_id text not null
        constraint bay_class_id_format
        check (length(class_id) between 1 and 63 and class_id not glob '*[^a-z0-9-]*'
            and class_id not glob '-*' and class_id not glob '*-'),
    primary key (shop_id, bay_id, position),
    foreign key (shop_id, bay_id) references bay on delete cascade,
    constraint bay_class_once unique (shop_id, bay_id, class_id)
) strict, without rowid;

create table bay_downtime (
    shop_id text not null,
    bay_id text not null,
    position integer not null constraint bay_downtime_position_range check (position >= 0),
    start_time integer not null,
    end_time integer not null,
    note text not null,
    primary key (shop_id, bay_id, position),
    foreign key (shop_id, bay_id) references bay on delete cascade,
    constraint bay_downtime_not_empty check (start_time < end_time)
) strict, without rowid;

create table equipment (
    shop_id text not null references shop on delete cascade,
    equipment_id text not null
        constraint equipment_id_format
        check (length(equipment_id) between 1 and 63 and equipment_id not glob '*[^a-z0-9-]*'
            and equipment_id not glob '-*' and equipment_id not glob '*-'),
    position integer not null constraint equipment_position_range check (position >= 0),
    display_name text not null,
    count integer not null constraint equipment_count_range check (count between 1 and 4294967295),
    primary key (shop_id, equipment_id),
    constraint equipment_position_free unique (shop_id, position)
) strict, without rowid;

create table equipment_outage (
    shop_id text not null,
    equipment_id text not null,
    position integer not null constraint equipment_outage_position_range check (position >= 0),
    start_time integer not null,
    end_time integer not null,
    note text not null,
    count integer not null constraint equipment_outage_count_range check (count between 1 and 4294967295),
    primary key (shop_id, equipment_id, position),
    foreign key (shop_id, equipment_id) references equipment on delete cascade,
    constraint equipment_outage_not_empty check (start_time < end_time)
) strict, without rowid;

create table technician (
    shop_id text not null references shop on delete cascade,
    technician_id text not null
        constraint technician_id_format
        check (length(technician_id) between 1 and 63 and technician_id not glob '*[^a-z0-9-]*'
            and technician_id not glob '-*' and technician_id not glob '*-'),
    position integer not null constraint technician_position_range check (position >= 0),
    display_name text not null,
    calendar_id text not null,
    primary key (shop_id, technician_id),
    foreign key (shop_id, calendar_id) references calendar deferrable initially deferred,
    constraint technician_position_free unique (shop_id, position)
) strict, without rowid;

create table technician_skill (
    shop_id text not null,
    technician_id text not null,
    position integer not null constraint technician_skill_position_range check (position >= 0),
    skill_id text not null,
    efficiency_percent integer not null
        constraint technician_skill_efficiency_range check (efficiency_percent between 1 and 4294967295),
    primary key (shop_id, technician_id, position),
    foreign key (shop_id, technician_id) references technician on delete cascade,
    foreign key (shop_id, skill_id) references skill deferrable initially deferred,
    constraint technician_skill_once unique (shop_id, technician_id, skill_id)
) strict, without rowid;

create table technician_period (
    shop_id text not null,
    technician_id text not null,
    kind text not null constraint technician_period_kind_known check (kind in ('absence', 'overtime')),
    position integer not null constraint technician_period_position_range check (position >= 0),
    start_time integer not null,
    end_time integer not null,
    note text not null,
    primary key (shop_id, technician_id, kind, position),
    foreign key (shop_id, technician_id) references technician on delete cascade,
    constraint technician_period_not_empty check (start_time < end_time)
) strict, without rowid;

create table changeover (
    shop_id text not null references shop on delete cascade,
    position integer not null constraint changeover_position_range check (position >= 0),
    from_family text not null constraint changeover_from_given check (from_family <> ''),
    to_family text not null constraint changeover_to_given check (to_family <> ''),
    minutes integer not null constraint changeover_minutes_range check (minutes between 0 and 4294967295),
    primary key (shop_id, position),
    constraint changeover_once unique (shop_id, from_family, to_family)
) strict, without rowid;
