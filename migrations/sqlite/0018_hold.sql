-- Quotes that are held: each keeps the place of its order until it expires, is accepted or is released.

create table hold (
    shop_id text not null,
    order_id text not null,
    -- One that stands takes part until expire_time, whatever is written here; those over are noted when the next is made.
    state text not null constraint hold_state_known check (state in ('standing', 'expired', 'accepted', 'released')),
    -- Which of the dates was promised.
    promised text not null constraint hold_promised_known check (promised in ('likely', 'p80', 'safe')),
    earliest_time integer not null,
    -- Null if that is after the horizon.
    likely_time integer,
    p80_time integer,
    safe_time integer,
    -- The plan that was published with its place.
    plan_id text not null,
    expire_time integer not null,
    -- Null unless it was accepted or released.
    end_time integer,
    version integer not null constraint hold_version_positive check (version >= 1),
    create_time integer not null,
    update_time integer not null,
    primary key (shop_id, order_id),
    foreign key (shop_id, order_id) references repair_order on delete cascade,
    foreign key (shop_id, plan_id) references plan on delete cascade,
    constraint hold_ends_whole check ((state in ('accepted', 'released')) = (end_time is not null)),
    constraint hold_ends_before_expiry check (end_time < expire_time),
    constraint hold_lasts check (create_time < expire_time)
) strict, without rowid;

create index hold_standing on hold (shop_id, state, expire_time);
