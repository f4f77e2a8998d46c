//! The two schemas are level: the same migrations, tables, columns, keys, checks and indexes.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use sqlx::{AssertSqlSafe, query_as};

use crate::database::{Database, Postgres, Sqlite};

/// Columns that one schema has for a rule which the other keeps by a trigger.
const ONLY_POSTGRES: &[(&str, &str)] = &[("plan_visit", "hold")];

/// Whose text must differ: the one has patterns, the other globs.
const TOLD_DIFFERENTLY: &[&str] = &["_id_format", "_boolean"];

fn migrations(database: &str) -> BTreeMap<String, String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations").join(database);
    let mut files = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let text = fs::read_to_string(entry.path()).unwrap();
        let lines = text.lines().filter(|line| !line.trim_start().starts_with("--"));
        let words = lines.flat_map(str::split_whitespace).collect::<Vec<_>>().join(" ");
        files.insert(entry.file_name().into_string().unwrap(), words);
    }
    files
}

/// Returns the text in parentheses that follow, with those.
fn parentheses(text: &str) -> &str {
    let mut depth = 0;
    for (index, character) in text.char_indices() {
        match character {
            '(' => depth += 1,
            ')' if depth == 1 => return &text[..=index],
            ')' => depth -= 1,
            _ => {}
        }
    }
    panic!("no end in {text:?}")
}

/// Returns the named checks and unique constraints of all migrations, with what they say.
fn constraints(files: &BTreeMap<String, String>) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    for text in files.values() {
        for part in text.split("constraint ").skip(1) {
            let Some((name, rule)) = part.split_once(' ') else { continue };
            if rule.starts_with("check (") || rule.starts_with("unique (") {
                let rule = parentheses(rule).replace("( ", "(").replace(" )", ")").replace("pinned = 1", "pinned");
                let (word, dates) = rule.split_once('(').unwrap();
                let dates = dates.replace("is_date(", "date(");
                let dates = dates
                    .split(" is ")
                    .next()
                    .filter(|_| name.contains("date") || rule.contains("date("))
                    .unwrap_or(&dates);
                let rule = format!("{word}({}", dates.trim_end_matches(')'));
                assert_eq!(found.insert(name.to_owned(), rule), None, "{name} is there twice");
            }
        }
    }
    found.retain(|name, _| !TOLD_DIFFERENTLY.iter().any(|part| name.ends_with(part)));
    found
}

fn indexes(files: &BTreeMap<String, String>) -> BTreeSet<String> {
    let statements = files.values().flat_map(|text| text.split(';')).map(|text| text.trim().to_owned());
    statements.filter(|text| text.starts_with("create index") || text.starts_with("create unique index")).collect()
}

/// Returns the rules that are kept by triggers: names in `raise` and `refuse`.
fn trigger_rules(files: &BTreeMap<String, String>) -> BTreeSet<String> {
    let mut rules = BTreeSet::new();
    for text in files.values() {
        for start in [
            "select raise(abort, '",
            "execute function refuse('",
            ", constraint = '",
            "constraint plan_visit_bay_free exclude",
        ] {
            for part in text.split(start).skip(1) {
                let name = part.split('\'').next().filter(|_| start.ends_with('\'')).unwrap_or("plan_visit_bay_free");
                rules.insert(name.to_owned());
            }
        }
    }
    rules
}

#[test]
fn migrations_say_the_same() {
    let (sqlite, postgres) = (migrations("sqlite"), migrations("postgres"));
    assert_eq!(sqlite.keys().collect::<Vec<_>>(), postgres.keys().collect::<Vec<_>>());
    assert_eq!(constraints(&sqlite), constraints(&postgres));
    assert!(constraints(&sqlite).len() > 100, "they are found");
    assert_eq!(indexes(&sqlite), indexes(&postgres));
    assert_eq!(trigger_rules(&sqlite), trigger_rules(&postgres));
    assert!(trigger_rules(&sqlite).len() >= 16, "they are found");
}

/// A column: its table, its name, what is in it, whether it may be null.
type Column = (String, String, String, bool);

/// A key: its table, its columns, the table that it points to (none for a primary key), its columns there, and what a
/// delete there does.
type Key = (String, Vec<String>, String, Vec<String>, String);

#[tokio::test]
async fn schemas_are_equal() {
    if !Postgres::is_here() {
        return;
    }
    let (sqlite, postgres) = (Sqlite::fresh(), Postgres::fresh());
    sqlite.open().await.close().await;
    postgres.open().await.close().await;
    let (of_sqlite, of_postgres) = (sqlite_columns(&sqlite).await, postgres_columns(&postgres).await);
    assert_eq!(of_sqlite, of_postgres);
    assert!(of_sqlite.len() > 150, "they are found");
    let (of_sqlite, of_postgres) = (sqlite_keys(&sqlite).await, postgres_keys(&postgres).await);
    assert_eq!(of_sqlite, of_postgres);
    assert!(of_sqlite.len() > 60, "they are found");
}

async fn sqlite_columns(database: &Sqlite) -> BTreeSet<Column> {
    let mut connection = database.connect().await;
    let rows: Vec<(String, String, String, bool, String)> = query_as(
        "select t.name, c.name, c.type, c.\"notnull\", t.sql
        from sqlite_schema t
        join pragma_table_info(t.name) c
        where t.type = 'table'
            and t.name not like 'sqlite_%'
            and t.name <> '_sqlx_migrations'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    let mut columns = BTreeSet::new();
    for (table, column, kind, not_null, sql) in rows {
        let boolean = sql.contains(&format!("_boolean check ({column} in (0, 1))"));
        let kind = match kind.as_str() {
            "INTEGER" if boolean => "boolean",
            "INTEGER" => "bigint",
            "TEXT" => "text",
            "REAL" => "double precision",
            "BLOB" => "bytea",
            other => panic!("{other}"),
        };
        // What is an alias for the number of the row is never null, though it does not say so.
        let not_null = not_null || column == "audit_id";
        columns.insert((table, column, kind.to_owned(), !not_null));
    }
    columns
}

async fn postgres_columns(database: &Postgres) -> BTreeSet<Column> {
    let rows: Vec<(String, String, String, bool, bool)> = query_as(
        "select table_name::text, column_name::text, data_type::text, is_nullable = 'YES',
            coalesce(collation_name = 'C', data_type <> 'text')
        from information_schema.columns
        where table_schema = 'public'
            and table_name <> '_sqlx_migrations'",
    )
    .fetch_all(&mut database.connect().await)
    .await
    .unwrap();
    let mut columns = BTreeSet::new();
    for (table, column, kind, nullable, by_bytes) in rows {
        assert!(by_bytes, "{table}.{column} is not compared byte by byte");
        if !ONLY_POSTGRES.contains(&(&table, &column)) {
            columns.insert((table, column, kind, nullable));
        }
    }
    columns
}

async fn sqlite_keys(database: &Sqlite) -> BTreeSet<Key> {
    let mut connection = database.connect().await;
    let tables: Vec<(String,)> = query_as(
        "select name
        from sqlite_schema
        where type = 'table'
            and name not like 'sqlite_%'
            and name <> '_sqlx_migrations'",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    let mut primary = BTreeMap::new();
    for (table,) in &tables {
        let sql = format!("select name from pragma_table_info('{table}') where pk > 0 order by pk");
        let columns: Vec<(String,)> = query_as(AssertSqlSafe(sql)).fetch_all(&mut connection).await.unwrap();
        primary.insert(table.clone(), columns.into_iter().map(|(column,)| column).collect::<Vec<_>>());
    }
    let mut keys: BTreeSet<Key> = BTreeSet::new();
    for (table, columns) in &primary {
        keys.insert((table.clone(), columns.clone(), String::new(), Vec::new(), String::new()));
        let sql = format!(
            "select id, \"table\", \"from\", \"to\", on_delete from pragma_foreign_key_list('{table}') order by id, seq"
        );
        let rows: Vec<(i64, String, String, Option<String>, String)> =
            query_as(AssertSqlSafe(sql)).fetch_all(&mut connection).await.unwrap();
        let mut foreign: BTreeMap<i64, Key> = BTreeMap::new();
        for (id, to_table, from, to, on_delete) in rows {
            let new = || (table.clone(), Vec::new(), to_table.clone(), Vec::new(), on_delete.to_lowercase());
            let key = foreign.entry(id).or_insert_with(new);
            key.1.push(from);
            key.3.extend(to);
        }
        for mut key in foreign.into_values() {
            if key.3.is_empty() {
                key.3.clone_from(&primary[&key.2]);
            }
            keys.insert(key);
        }
    }
    keys
}

type KeyRow = (String, Vec<String>, Option<String>, Option<Vec<String>>, String);

async fn postgres_keys(database: &Postgres) -> BTreeSet<Key> {
    let rows: Vec<KeyRow> = query_as(
        "select conrelid::regclass::text,
            array(
                select attname::text
                from unnest(conkey) with ordinality as part (attnum, place)
                join pg_attribute using (attnum)
                where attrelid = conrelid
                order by place
            ),
            nullif(confrelid, 0)::regclass::text,
            array(
                select attname::text
                from unnest(confkey) with ordinality as part (attnum, place)
                join pg_attribute using (attnum)
                where attrelid = confrelid
                order by place
            ),
            case when contype = 'p' then '' when confdeltype = 'c' then 'cascade' else 'no action' end
        from pg_constraint
        where contype in ('p', 'f')
            and connamespace = 'public'::regnamespace
            and conrelid <> '_sqlx_migrations'::regclass",
    )
    .fetch_all(&mut database.connect().await)
    .await
    .unwrap();
    let key = |(table, columns, to, to_columns, on_delete): KeyRow| {
        (table, columns, to.unwrap_or_default(), to_columns.unwrap_or_default(), on_delete)
    };
    rows.into_iter().map(key).collect()
}
