//! The embedded database: one SQLite file in a data folder.
//!
//! One connection writes, in transactions that take the write lock at once; so changes queue for the connection and not
//! for the lock. Others read, from connections that cannot write. A commit is on disk before it is acknowledged.

use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::migrate::{MigrateError, Migrator};
use sqlx::pool::PoolOptions;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{SqlitePool, Transaction};

use crate::error::{Error, OpenError};

// What the shared statements are compiled for.
type Db = sqlx::Sqlite;
type Connection = sqlx::SqliteConnection;
type Handle = SqliteStore;

#[path = "sql/mod.rs"]
mod sql;

/// Name of the database in its data folder.
pub const FILE_NAME: &str = "fitup.db";

const READERS: u32 = 4;
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
const QUEUE_TIMEOUT: Duration = Duration::from_secs(10);

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations/sqlite");

/// Shops in an SQLite file.
#[derive(Debug, Clone)]
pub struct SqliteStore {
    writer: SqlitePool,
    reader: SqlitePool,
}

impl SqliteStore {
    /// Opens the database in `folder`, or makes it, and brings its schema up to date.
    ///
    /// # Errors
    /// If the folder is missing or cannot be written to, or the database is not ours, is newer than the program, or is
    /// held by another program for more than 5 s.
    pub async fn open(folder: &Path) -> Result<SqliteStore, OpenError> {
        check_folder(folder)?;
        let path = folder.join(FILE_NAME);
        let database = path.display().to_string();
        let options = SqliteConnectOptions::new()
            .filename(&path)
            .busy_timeout(BUSY_TIMEOUT)
            .foreign_keys(true)
            .row_buffer_size(1024);
        let writing = options
            .clone()
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full);
        let cannot_open = |source| open_error(&database, source);
        let writer = pool(1).connect_with(writing).await.map_err(cannot_open)?;
        refuse_foreign(&writer, &database).await?;
        MIGRATIONS.run(&writer).await.map_err(|error| migrate_error(&database, error))?;
        let reader = pool(READERS).connect_with(options.read_only(true)).await.map_err(cannot_open)?;
        Ok(SqliteStore { writer, reader })
    }

    async fn begin(&self) -> Result<Transaction<'static, Db>, Error> {
        Ok(self.writer.begin_with("begin immediate").await?)
    }

    async fn begin_reading(&self) -> Result<Transaction<'static, Db>, Error> {
        Ok(self.reader.begin().await?)
    }

    async fn close_all(&self) {
        self.reader.close().await;
        self.writer.close().await;
    }
}

/// Returns what an error of the database means to the caller.
pub(crate) fn classify(error: sqlx::Error) -> Error {
    let (code, message) = match &error {
        sqlx::Error::Database(database) => {
            (database.code().and_then(|code| code.parse::<u32>().ok()).unwrap_or(0), database.message().to_owned())
        }
        sqlx::Error::Io(_) | sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed | sqlx::Error::WorkerCrashed => {
            return Error::Unavailable(error);
        }
        sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_) => return Error::Corrupt(error.to_string()),
        _ => return Error::Database(error),
    };
    // The low byte is the primary result code: https://www.sqlite.org/rescode.html
    match code & 0xff {
        CONSTRAINT => Error::Constraint { constraint: constraint(&message) },
        BUSY | LOCKED | READONLY | IOERR | FULL | CANTOPEN => Error::Unavailable(error),
        CORRUPT | NOTADB => Error::Corrupt(message),
        _ => Error::Database(error),
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
        Some(("FOREIGN KEY", _)) => "foreign key".to_owned(),
        Some((_, name)) => name.trim_start_matches(": ").to_owned(),
        None => message.to_owned(),
    }
}

fn pool(connections: u32) -> PoolOptions<Db> {
    PoolOptions::new()
        .min_connections(connections)
        .max_connections(connections)
        .acquire_timeout(QUEUE_TIMEOUT)
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
}

fn check_folder(folder: &Path) -> Result<(), OpenError> {
    if !folder.is_dir() {
        return Err(OpenError::FolderMissing { folder: folder.to_owned() });
    }
    let cannot_write = |source| OpenError::FolderReadOnly { folder: PathBuf::from(folder), source };
    let probe = folder.join(".fitup-write-check");
    OpenOptions::new().create(true).truncate(true).write(true).open(&probe).map_err(cannot_write)?;
    std::fs::remove_file(&probe).map_err(cannot_write)
}

/// Refuses a database that has tables but none of ours, before anything is changed in it.
async fn refuse_foreign(writer: &SqlitePool, database: &str) -> Result<(), OpenError> {
    let (tables, ours): (i64, i64) = sqlx::query_as(
        "select count(*), count(*) filter (where name = '_sqlx_migrations')
        from sqlite_schema
        where name not like 'sqlite_%'",
    )
    .fetch_one(writer)
    .await
    .map_err(|source| open_error(database, source))?;
    if tables > 0 && ours == 0 {
        return Err(OpenError::Foreign { database: database.to_owned() });
    }
    Ok(())
}

fn open_error(database: &str, source: sqlx::Error) -> OpenError {
    let database = database.to_owned();
    match classify(source) {
        Error::Corrupt(_) => OpenError::Foreign { database },
        Error::Unavailable(source) | Error::Database(source) => OpenError::Unreachable { database, source },
        other => OpenError::Unreachable { database, source: sqlx::Error::Protocol(other.to_string()) },
    }
}

fn migrate_error(database: &str, error: MigrateError) -> OpenError {
    let known = MIGRATIONS.iter().map(|migration| migration.version).max().unwrap_or(0);
    let name = database.to_owned();
    match error {
        MigrateError::VersionMissing(found) if found > known => OpenError::Newer { database: name, found, known },
        MigrateError::VersionMissing(version) | MigrateError::VersionMismatch(version) => {
            OpenError::MigrationDiffers { database: name, version }
        }
        MigrateError::Execute(source) | MigrateError::ExecuteMigration(source, _) => open_error(database, source),
        other => OpenError::Unreachable { database: name, source: sqlx::Error::Migrate(Box::new(other)) },
    }
}
