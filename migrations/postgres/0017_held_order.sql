-- A held order has the facts of an order and is none: it becomes one when its hold is accepted.

alter table repair_order add column held boolean not null default false;
