-- Who may call: bearer tokens, kept as digests of their secrets. A token is never removed and its id never used again,
-- so that the audit trail always tells who it was.

create table token (
    token_id text not null primary key
        constraint token_id_format
        check (length(token_id) between 1 and 63 and token_id not glob '*[^a-z0-9-]*'
            and token_id not glob '-*' and token_id not glob '*-'),
    display_name text not null constraint token_display_name_given check (display_name <> ''),
    role text not null constraint token_role_known check (role in (
        'manager', 'service_writer', 'dispatcher', 'technician', 'screen'
    )),
    -- SHA-256 of the secret, which is kept nowhere.
    digest blob not null constraint token_digest_length check (length(digest) = 32),
    -- Else those of token_shop only.
    all_shops integer not null constraint token_all_shops_boolean check (all_shops in (0, 1)),
    create_time integer not null,
    expire_time integer not null constraint token_expires_later check (expire_time > create_time),
    revoke_time integer
) strict;

create unique index token_digest on token (digest);

-- The shops of a token. They need not exist, and outlive them.
create table token_shop (
    token_id text not null references token,
    shop_id text not null constraint token_shop_id_format
        check (length(shop_id) between 1 and 63 and shop_id not glob '*[^a-z0-9-]*'
            and shop_id not glob '-*' and shop_id not glob '*-'),
    primary key (token_id, shop_id)
) strict;

create trigger token_fixed before update of
    token_id, display_name, role, digest, all_shops, create_time, expire_time
on token
begin
    select raise(abort, 'token_fixed');
end;

create trigger token_revoked_stays before update of revoke_time on token
when old.revoke_time is not null
begin
    select raise(abort, 'token_revoked_stays');
end;

create trigger token_stays before delete on token
begin
    select raise(abort, 'token_stays');
end;

-- Replacing a row deletes it without firing delete triggers.
create trigger token_stays_replace before insert on token
when exists (select 1 from token where token_id = new.token_id or digest = new.digest)
begin
    select raise(abort, 'token_stays');
end;

create trigger token_shop_fixed_update before update on token_shop
begin
    select raise(abort, 'token_shop_fixed');
end;

create trigger token_shop_fixed_delete before delete on token_shop
begin
    select raise(abort, 'token_shop_fixed');
end;
