//! The databases that the contract is run on.

use std::sync::Arc;

use async_trait::async_trait;
use fitup_store::{SqliteStore, Store};
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{AssertSqlSafe, Connection};
use tempfile::TempDir;

/// A fresh database of one kind; removed when dropped.
#[async_trait]
pub trait Database: Send + Sync + Sized {
    /// Makes an empty database.
    fn fresh() -> Self;

    /// Opens it, also for a second time.
    async fn open(&self) -> Arc<dyn Store>;

    /// Runs statements behind the back of the store, in one transaction.
    async fn execute(&self, statements: &str) -> Result<(), String>;
}

/// A file in a folder of its own.
pub struct Sqlite {
    pub folder: TempDir,
}

#[async_trait]
impl Database for Sqlite {
    fn fresh() -> Sqlite {
        Sqlite { folder: tempfile::tempdir().expect("there is room for a temporary folder") }
    }

    async fn open(&self) -> Arc<dyn Store> {
        Arc::new(SqliteStore::open(self.folder.path()).await.expect("the folder was made for it"))
    }

    async fn execute(&self, statements: &str) -> Result<(), String> {
        let path = self.folder.path().join(fitup_store::sqlite::FILE_NAME);
        let options = SqliteConnectOptions::new().filename(path).foreign_keys(true);
        let mut connection = SqliteConnection::connect_with(&options).await.map_err(|error| error.to_string())?;
        let mut transaction = connection.begin().await.map_err(|error| error.to_string())?;
        let done = sqlx::raw_sql(AssertSqlSafe(statements)).execute(&mut *transaction).await;
        done.map_err(|error| error.to_string())?;
        transaction.commit().await.map_err(|error| error.to_string())
    }
}
