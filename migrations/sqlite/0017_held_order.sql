-- A held order has the facts of an order and is none: it becomes one when its hold is accepted.

alter table repair_order add column held integer not null default 0
    constraint order_held_boolean check (held in (0, 1));
