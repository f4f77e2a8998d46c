-- Quotes that are held: each keeps the place of its order until it expires, is accepted or is released.

create table hold (
    shop_id text collate "C" not null,
    order_id text collate "C" not null,
    -- One that stands takes part until expire_time, whatever is written here; those over are noted when the next is made.
    state text collate "C" not null constraint hold_state_known check (state in ('standing', 'expired', 'accepted', 'released')),
    -- Which of the dates was promised.
    promised text collate "C" not null constraint hold_promised_known check (promised in ('likely', 'p80', 'safe')),
    earliest_time bigint not null,
    -- Null if that is after the horizon.
    likely_time bigint,
    p80_time bigint,
    safe_time bigint,
    -- The plan that was published with its place.
    plan_id text collate "C" not null,
    expire_time bigint not null,
    -- Null unless it was accepted or released.
    end_time bigint,
    version bigint not null constraint hold_version_positive check (version >= 1),
    create_time bigint not null,
    update_time bigint not null,
    primary key (shop_id, order_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, plan_id) references plan on delete cascade,
    constraint hold_ends_whole check ((state in ('accepted', 'released')) = (end_time is not null)),
    constraint hold_ends_before_expiry check (end_time < expire_time),
    constraint hold_lasts check (create_time < expire_time)
);

create index hold_standing on hold (shop_id, state, expire_time);
