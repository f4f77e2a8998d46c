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

use crate::change::Change;
use crate::error::{Error, OpenError};
use crate::notice::{Notice, Sender};
use crate::open::migrate_error;
use crate::record::{Connections, PlanRunRecord};

// What the shared statements are compiled for.
type Db = sqlx::Sqlite;
type Connection = sqlx::SqliteConnection;
type Handle = SqliteStore;

#[path = "sql/mod.rs"]
mod sql;

/// The plan run that waits longest.
const NEXT_RUN: &str = "select shop_id, plan_run_id
    from plan_run
    where state = 'queued'
    order by create_time, plan_run_id
    limit 1";

/// The plan runs whose lease has expired.
const EXPIRED_RUNS: &str = "select shop_id, plan_run_id
    from plan_run
    where state = 'running'
        and lease_time <= $1
    order by create_time, plan_run_id";

/// Name of the database in its data folder.
pub const FILE_NAME: &str = "fitup.db";

const READERS: u32 = 4;
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
const MIGRATE_AGAIN: Duration = Duration::from_millis(500);
const QUEUE_TIMEOUT: Duration = Duration::from_secs(10);

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations/sqlite");

/// Shops in an SQLite file.
#[derive(Debug, Clone)]
pub struct SqliteStore {
    writer: SqlitePool,
    reader: SqlitePool,
    notices: Sender,
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
        let mut migrated = MIGRATIONS.run(&writer).await;
        if matches!(migrated, Err(MigrateError::Execute(_) | MigrateError::ExecuteMigration(..))) {
            // Another program has opened the new file at the same moment, and was faster.
            tokio::time::sleep(MIGRATE_AGAIN).await;
            migrated = MIGRATIONS.run(&writer).await;
        }
        migrated.map_err(|error| migrate_error(&database, &MIGRATIONS, error, cannot_open))?;
        let reader = pool(READERS).connect_with(options.read_only(true)).await.map_err(cannot_open)?;
        Ok(SqliteStore { writer, reader, notices: Sender::new() })
    }

    /// Begins a change, alone in the whole database.
    async fn begin(&self, _change: Option<&Change>, _shop: Option<&str>) -> Result<Transaction<'static, Db>, Error> {
        Ok(self.writer.begin_with("begin immediate").await?)
    }

    async fn begin_reading(&self) -> Result<Transaction<'static, Db>, Error> {
        Ok(self.reader.begin().await?)
    }

    /// Tells those in this process: no other one writes to the file.
    fn tell(&self, run: &PlanRunRecord) {
        self.notices.send(Notice::PlanRun { shop: run.shop.clone(), run: run.id.clone() });
    }

    fn count_connections(&self) -> Connections {
        let idle = self.reader.num_idle() + self.writer.num_idle();
        Connections { open: self.reader.size() + self.writer.size(), idle: idle as u32 }
    }

    async fn close_all(&self) {
        self.reader.close().await;
        self.writer.close().await;
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
    match Error::from(source) {
        Error::Corrupt(_) => OpenError::Foreign { database },
        Error::Unavailable(source) | Error::Database(source) => OpenError::Unreachable { database, source },
        other => OpenError::Unreachable { database, source: sqlx::Error::Protocol(other.to_string()) },
    }
}
