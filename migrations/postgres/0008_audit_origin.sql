-- From where a change was asked for, and the audit trail of one thing.

-- The address that the call came from; null for what the service does by itself.
alter table audit add column origin text collate "C";

create index audit_resource on audit (shop_id, resource, audit_id);
