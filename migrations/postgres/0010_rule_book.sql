-- Rule books: how the lines of estimates become operations. A version never changes, since orders were made by it.

create table rule_book (
    shop_id text collate "C" not null references shop on delete cascade,
    revision bigint not null constraint rule_book_revision_positive check (revision >= 1),
    text text collate "C" not null constraint rule_book_text_given check (text <> ''),
    create_time bigint not null,
    primary key (shop_id, revision)
);

create trigger rule_book_fixed before update on rule_book
for each row
execute function refuse('rule_book_fixed');
