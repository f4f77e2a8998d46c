-- The audit trail: who changed what, and when. It outlives the shops that it tells of.

-- Tells whether a text is JSON.
create function json_valid(value text) returns boolean language plpgsql immutable strict as $$
begin
    return value::json is not null;
exception when invalid_text_representation then
    return false;
end;
$$;

create table audit (
    audit_id bigint generated always as identity primary key,
    create_time bigint not null,
    actor text collate "C" not null,
    -- Both null if the change was not asked for by a request with an id.
    method text collate "C",
    request_id text collate "C",
    shop_id text collate "C" not null,
    resource text collate "C" not null,
    action text collate "C" not null constraint audit_action_known check (action in (
        'create', 'update', 'delete', 'publish', 'queue', 'claim', 'finish', 'cancel', 'requeue'
    )),
    -- 0 if the shop did not exist.
    revision_before bigint not null constraint audit_revision_before_range check (revision_before >= 0),
    revision_after bigint not null constraint audit_revision_after_range check (revision_after >= 0),
    -- An object from the path of each field to [before, after].
    difference text collate "C" not null constraint audit_difference_json check (json_valid(difference))
);

create index audit_shop on audit (shop_id, audit_id);

create trigger audit_append_only before update or delete on audit
for each row
execute function refuse('audit_append_only');

create trigger audit_append_only_truncate before truncate on audit
for each statement
execute function refuse('audit_append_only');
