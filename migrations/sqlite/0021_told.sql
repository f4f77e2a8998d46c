-- What later quotes learn from: for which moment a hold was quoted, and its dates as the futures had them, before they were
-- stretched by what became of earlier ones. Null of holds that are older than these columns.

alter table hold add column quote_time integer;
alter table hold add column futures_likely_time integer;
alter table hold add column futures_p80_time integer;
alter table hold add column futures_safe_time integer;
