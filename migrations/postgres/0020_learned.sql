-- By how much what was recorded counts when chances are learned. Null means the program's default.

alter table shop add column learned_percent bigint
    constraint shop_learned_percent_range check (learned_percent between 0 and 4294967295);
