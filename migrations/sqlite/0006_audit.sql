-- The audit trail: who changed what, and when. It outlives the shops that it tells of.

create table audit (
    audit_id integer primary key autoincrement,
    create_time integer not null,
    actor text not null,
    -- Both null if the change was not asked for by a request with an id.
    method text,
    request_id text,
    shop_id text not null,
    resource text not null,
    action text not null constraint audit_action_known check (action in (
        'create', 'update', 'delete', 'publish', 'queue', 'claim', 'finish', 'cancel', 'requeue'
    )),
    -- 0 if the shop did not exist.
    revision_before integer not null constraint audit_revision_before_range check (revision_before >= 0),
    revision_after integer not null constraint audit_revision_after_range check (revision_after >= 0),
    -- An object from the path of each field to [before, after].
    difference text not null constraint audit_difference_json check (json_valid(difference))
) strict;

create index audit_shop on audit (shop_id, audit_id);

create trigger audit_append_only_update before update on audit
begin
    select raise(abort, 'audit_append_only');
end;

create trigger audit_append_only_delete before delete on audit
begin
    select raise(abort, 'audit_append_only');
end;

-- Replacing a row deletes it without firing delete triggers.
create trigger audit_append_only_replace before insert on audit
when exists (select 1 from audit where audit_id = new.audit_id)
begin
    select raise(abort, 'audit_append_only');
end;
