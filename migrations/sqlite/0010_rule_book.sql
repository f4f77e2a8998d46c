-- Rule books: how the lines of estimates become operations. A version never changes, since orders were made by it.

create table rule_book (
    shop_id text not null references shop on delete cascade,
    revision integer not null constraint rule_book_revision_positive check (revision >= 1),
    text text not null constraint rule_book_text_given check (text <> ''),
    create_time integer not null,
    primary key (shop_id, revision)
) strict, without rowid;

create trigger rule_book_fixed before update on rule_book
begin
    select raise(abort, 'rule_book_fixed');
end;
