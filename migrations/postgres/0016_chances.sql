-- What can happen in a shop, and how often: what its futures are drawn by. Null means the program's default.

alter table shop add column work_low_percent bigint
    constraint shop_work_low_percent_range check (work_low_percent between 0 and 4294967295);

alter table shop add column work_high_percent bigint
    constraint shop_work_high_percent_range check (work_high_percent between 0 and 4294967295);

alter table shop add column late_part_percent bigint
    constraint shop_late_part_percent_range check (late_part_percent between 0 and 4294967295);

alter table shop add column late_part_days bigint
    constraint shop_late_part_days_range check (late_part_days between 0 and 4294967295);

alter table shop add column late_approval_percent bigint
    constraint shop_late_approval_percent_range check (late_approval_percent between 0 and 4294967295);

alter table shop add column hidden_damage_percent bigint
    constraint shop_hidden_damage_percent_range check (hidden_damage_percent between 0 and 4294967295);

alter table shop add column hidden_work_percent bigint
    constraint shop_hidden_work_percent_range check (hidden_work_percent between 0 and 4294967295);

alter table shop add column failed_check_percent bigint
    constraint shop_failed_check_percent_range check (failed_check_percent between 0 and 4294967295);

alter table shop add column rework_percent bigint
    constraint shop_rework_percent_range check (rework_percent between 0 and 4294967295);

alter table shop add column absence_percent bigint
    constraint shop_absence_percent_range check (absence_percent between 0 and 4294967295);
