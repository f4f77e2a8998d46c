-- Requests that were answered, so that a repeat gets the same answer. Old ones are purged.

create table request (
    actor text collate "C" not null,
    request_id text collate "C" not null constraint request_id_format check (length(request_id) = 36),
    method text collate "C" not null,
    fingerprint bytea not null constraint request_fingerprint_length check (length(fingerprint) = 32),
    response bytea not null,
    create_time bigint not null,
    primary key (actor, request_id)
);

create index request_create_time on request (create_time);

create trigger request_fixed before update on request
for each row
execute function refuse('request_fixed');
