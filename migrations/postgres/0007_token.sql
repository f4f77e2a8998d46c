-- Who may call: bearer tokens, kept as digests of their secrets. A token is never removed and its id never used again,
-- so that the audit trail always tells who it was.

create table token (
    token_id text collate "C" not null primary key
        constraint token_id_format
        check (token_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    display_name text collate "C" not null constraint token_display_name_given check (display_name <> ''),
    role text collate "C" not null constraint token_role_known check (role in (
        'manager', 'service_writer', 'dispatcher', 'technician', 'screen'
    )),
    -- SHA-256 of the secret, which is kept nowhere.
    digest bytea not null constraint token_digest_length check (length(digest) = 32),
    -- Else those of token_shop only.
    all_shops boolean not null,
    create_time bigint not null,
    expire_time bigint not null constraint token_expires_later check (expire_time > create_time),
    revoke_time bigint
);

create unique index token_digest on token (digest);

-- The shops of a token. They need not exist, and outlive them.
create table token_shop (
    token_id text collate "C" not null references token,
    shop_id text collate "C" not null constraint token_shop_id_format
        check (shop_id ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    primary key (token_id, shop_id)
);

create trigger token_fixed before update of
    token_id, display_name, role, digest, all_shops, create_time, expire_time
on token
for each row
execute function refuse('token_fixed');

create trigger token_revoked_stays before update of revoke_time on token
for each row
when (old.revoke_time is not null)
execute function refuse('token_revoked_stays');

create trigger token_stays before delete on token
for each row
execute function refuse('token_stays');

create trigger token_stays_truncate before truncate on token
for each statement
execute function refuse('token_stays');

create trigger token_shop_fixed before update or delete on token_shop
for each row
execute function refuse('token_shop_fixed');

create trigger token_shop_fixed_truncate before truncate on token_shop
for each statement
execute function refuse('token_shop_fixed');
