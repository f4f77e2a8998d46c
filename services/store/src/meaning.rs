//! What an error of a database means to the caller: the one place that knows the codes of each.

use sqlx::error::DatabaseError;
use sqlx::postgres::PgDatabaseError;
use sqlx::sqlite::SqliteError;

use crate::error::Error;

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Error {
        match &error {
            sqlx::Error::Database(database) => match meaning(database.as_ref()) {
                Meaning::Constraint(constraint) => Error::Constraint { constraint },
                Meaning::Unavailable => Error::Unavailable(error),
                Meaning::Corrupt => Error::Corrupt(database.message().to_owned()),
                Meaning::Other => Error::Database(error),
            },
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::BeginFailed => Error::Unavailable(error),
            sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_) => Error::Corrupt(error.to_string()),
            _ => Error::Database(error),
        }
    }
}

/// Tells whether the transaction lost against another one and would succeed if it were made again.
pub(crate) fn lost_a_race(error: &Error) -> bool {
    let Error::Unavailable(sqlx::Error::Database(database)) = error else { return false };
    let code = database.try_downcast_ref::<PgDatabaseError>().map(PgDatabaseError::code);
    matches!(code, Some(SERIALIZATION_FAILURE | DEADLOCK_DETECTED))
}

enum Meaning {
    /// The facts break the constraint of this name.
    Constraint(String),
    /// Later it may work.
    Unavailable,
    /// What is stored is broken.
    Corrupt,
    /// A bug.
    Other,
}

fn meaning(error: &dyn DatabaseError) -> Meaning {
    if let Some(error) = error.try_downcast_ref::<PgDatabaseError>() {
        return postgres(error);
    }
    match error.try_downcast_ref::<SqliteError>() {
        Some(error) => sqlite(error),
        None => Meaning::Other,
    }
}

const SERIALIZATION_FAILURE: &str = "40001";
const DEADLOCK_DETECTED: &str = "40P01";

/// Codes: <https://www.postgresql.org/docs/15/errcodes-appendix.html>
fn postgres(error: &PgDatabaseError) -> Meaning {
    let table = error.table().unwrap_or_default();
    match error.code() {
        // Of a check, a trigger, an exclusion.
        "23514" | "23P01" => Meaning::Constraint(error.constraint().unwrap_or_default().to_owned()),
        "23505" => Meaning::Constraint(key(table, error)),
        "23503" => Meaning::Constraint(FOREIGN_KEY.to_owned()),
        "23502" => Meaning::Constraint(format!("{table}.{}", error.column().unwrap_or_default())),
        // A text holds U+0000, which this database cannot keep.
        "22021" => Meaning::Constraint("text".to_owned()),
        SERIALIZATION_FAILURE | DEADLOCK_DETECTED => Meaning::Unavailable,
        // Lock not available, query cancelled, read-only after a change of roles, a system error.
        "55P03" | "57014" | "25006" | "25P03" | "58000" | "58030" => Meaning::Unavailable,
        "XX001" | "XX002" => Meaning::Corrupt,
        // Connections, resources, shutdown and start.
        code if ["08", "53", "57"].iter().any(|class| code.starts_with(class)) => Meaning::Unavailable,
        _ => Meaning::Other,
    }
}

const FOREIGN_KEY: &str = "foreign key";

/// Returns the columns of a violated key, as SQLite names them. The detail reads `Key (a, b)=(1, 2) already exists.`,
/// in the language of the server, with quotes where a name is a word of SQL.
fn key(table: &str, error: &PgDatabaseError) -> String {
    let columns = error.detail().and_then(|detail| detail.split_once('(')?.1.split_once(")=("));
    match columns {
        Some((columns, _)) => columns
            .split(", ")
            .map(|column| format!("{table}.{}", column.trim_matches('"')))
            .collect::<Vec<_>>()
            .join(", "),
        None => error.constraint().unwrap_or(table).to_owned(),
    }
}

/// The low byte is the primary result code: <https://www.sqlite.org/rescode.html>
fn sqlite(error: &SqliteError) -> Meaning {
    let code = error.code().and_then(|code| code.parse::<u32>().ok()).unwrap_or(0);
    match code & 0xff {
        CONSTRAINT => Meaning::Constraint(constraint(error.message())),
        BUSY | LOCKED | READONLY | IOERR | FULL | CANTOPEN => Meaning::Unavailable,
        CORRUPT | NOTADB => Meaning::Corrupt,
        _ => Meaning::Other,
    }
}

const BUSY: u32 = 5;
const LOCKED: u32 = 6;
const READONLY: u32 = 8;
const IOERR: u32 = 10;
const CORRUPT: u32 = 11;
const FULL: u32 = 13;
const CANTOPEN: u32 = 14;
const CONSTRAINT: u32 = 19;
const NOTADB: u32 = 26;

/// Returns the name of a violated check or trigger, the columns of a violated key, or `foreign key`.
fn constraint(message: &str) -> String {
    match message.split_once(" constraint failed") {
        Some(("FOREIGN KEY", _)) => FOREIGN_KEY.to_owned(),
        Some((_, name)) => name.trim_start_matches(": ").to_owned(),
        None => message.to_owned(),
    }
}
