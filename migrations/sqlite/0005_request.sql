-- Requests that were answered, so that a repeat gets the same answer. Old ones are purged.

create table request (
    actor text not null,
    request_id text not null constraint request_id_format check (length(request_id) = 36),
    method text not null,
    fingerprint blob not null constraint request_fingerprint_length check (length(fingerprint) = 32),
    response blob not null,
    create_time integer not null,
    primary key (actor, request_id)
) strict;

create index request_create_time on request (create_time);

create trigger request_fixed before update on request
begin
    select raise(abort, 'request_fixed');
end;
