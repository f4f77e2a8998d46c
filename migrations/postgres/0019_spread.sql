-- Between what the hours of an operation may turn out to lie. Null means the shop's shares of what is booked.

alter table operation add column low_work_minutes bigint
    constraint operation_low_work_range check (low_work_minutes between 0 and 4294967295);

alter table operation add column high_work_minutes bigint
    constraint operation_high_work_range check (high_work_minutes between 0 and 4294967295);
