//! The databases that the contract is run on.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use async_trait::async_trait;
use fitup_store::{Error, PostgresStore, SqliteStore, Store};
use sqlx::postgres::PgConnection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{AssertSqlSafe, Connection, Executor};
use tempfile::TempDir;
use tokio::sync::OnceCell;

use crate::cluster;

/// A fresh database of one kind; removed when dropped.
#[async_trait]
pub trait Database: Send + Sync + Sized {
    /// What it says to a text in a column of numbers.
    const NOT_A_NUMBER: &str;

    /// A statement that would remove entries from the audit trail if only it could, besides `delete`.
    const REMOVE_AUDIT: &str;

    /// Tells whether the machine has such a database, and says so if not.
    fn is_here() -> bool;

    /// Makes an empty database.
    fn fresh() -> Self;

    /// Opens it, also for a second time.
    async fn open(&self) -> Arc<dyn Store>;

    /// Runs statements behind the back of the store, in one transaction. An error tells what the store makes of it.
    async fn execute(&self, statements: &str) -> Result<(), String>;
}

/// A file in a folder of its own.
pub struct Sqlite {
    pub folder: TempDir,
}

impl Sqlite {
    pub async fn connect(&self) -> SqliteConnection {
        let path = self.folder.path().join(fitup_store::sqlite::FILE_NAME);
        let options = SqliteConnectOptions::new().filename(path).foreign_keys(true);
        SqliteConnection::connect_with(&options).await.expect("the file is there")
    }
}

#[async_trait]
impl Database for Sqlite {
    const NOT_A_NUMBER: &str = "cannot store TEXT value in INTEGER column";
    // Replacing a row deletes it without firing delete triggers.
    const REMOVE_AUDIT: &str = "insert or replace into audit (
            audit_id, create_time, actor, shop_id, resource, action, revision_before, revision_after, difference
        )
        values (1, 0, 'x', 'shop', 'x', 'create', 0, 1, '{}')";

    fn is_here() -> bool {
        true
    }

    fn fresh() -> Sqlite {
        Sqlite { folder: tempfile::tempdir().expect("there is room for a temporary folder") }
    }

    async fn open(&self) -> Arc<dyn Store> {
        Arc::new(SqliteStore::open(self.folder.path()).await.expect("the folder was made for it"))
    }

    async fn execute(&self, statements: &str) -> Result<(), String> {
        execute(&mut self.connect().await, statements).await
    }
}

/// A database of the cluster that all tests share.
pub struct Postgres {
    name: String,
    made: OnceCell<()>,
}

impl Postgres {
    pub async fn url(&self, user: &str) -> String {
        let cluster = cluster::shared().expect("it was asked for");
        let make = async || {
            let mut connection = connect(&cluster.url("fitup", "postgres")).await;
            let create = format!("create database {}", self.name);
            connection.execute(AssertSqlSafe(create)).await.expect("the name is new");
            connection.close().await.expect("it is open");
        };
        self.made.get_or_init(make).await;
        cluster.url(user, &self.name)
    }

    pub async fn connect(&self) -> PgConnection {
        connect(&self.url("fitup").await).await
    }
}

async fn connect(url: &str) -> PgConnection {
    PgConnection::connect(url).await.expect("the cluster runs")
}

#[async_trait]
impl Database for Postgres {
    const NOT_A_NUMBER: &str = "invalid input syntax for type bigint";
    const REMOVE_AUDIT: &str = "truncate audit";

    fn is_here() -> bool {
        cluster::shared().is_some()
    }

    fn fresh() -> Postgres {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        Postgres { name: format!("test_{}", COUNT.fetch_add(1, Ordering::SeqCst)), made: OnceCell::new() }
    }

    async fn open(&self) -> Arc<dyn Store> {
        Arc::new(PostgresStore::open(&self.url("fitup").await).await.expect("the database was made for it"))
    }

    async fn execute(&self, statements: &str) -> Result<(), String> {
        execute(&mut self.connect().await, statements).await
    }
}

/// Runs statements in one transaction.
async fn execute<C: Connection>(connection: &mut C, statements: &str) -> Result<(), String>
where
    for<'c> &'c mut C: Executor<'c, Database = C::Database>,
{
    let told = |error: sqlx::Error| {
        let message = error.to_string();
        format!("{message}; {}", Error::from(error))
    };
    (&mut *connection).execute("begin").await.map_err(told)?;
    (&mut *connection).execute(AssertSqlSafe(statements)).await.map_err(told)?;
    (&mut *connection).execute("commit").await.map_err(told)?;
    Ok(())
}
