//! Opens a database by its address.

use std::path::Path;
use std::sync::Arc;

use sqlx::migrate::{MigrateError, Migrator};

use crate::error::OpenError;
use crate::postgres::PostgresStore;
use crate::sqlite::SqliteStore;
use crate::store::Store;

/// Opens the PostgreSQL database at an address that starts with `postgres://` or `postgresql://`, else the SQLite
/// database in the folder of that name, and brings its schema up to date.
///
/// # Errors
/// One line that says what is wrong and what to do. Never tells a password.
pub async fn open(database: &str) -> Result<Arc<dyn Store>, OpenError> {
    if is_postgres(database) {
        Ok(Arc::new(PostgresStore::open(database).await?))
    } else {
        Ok(Arc::new(SqliteStore::open(Path::new(database)).await?))
    }
}

fn is_postgres(database: &str) -> bool {
    database.starts_with("postgres://") || database.starts_with("postgresql://")
}

/// Returns what an error of a migration of `database` means; `cannot` tells of those of the database itself.
pub(crate) fn migrate_error(
    database: &str,
    migrations: &Migrator,
    error: MigrateError,
    cannot: impl Fn(sqlx::Error) -> OpenError,
) -> OpenError {
    let known = migrations.iter().map(|migration| migration.version).max().unwrap_or(0);
    let name = database.to_owned();
    match error {
        MigrateError::VersionMissing(found) if found > known => OpenError::Newer { database: name, found, known },
        MigrateError::VersionMissing(version) | MigrateError::VersionMismatch(version) => {
            OpenError::MigrationDiffers { database: name, version }
        }
        MigrateError::Execute(source) | MigrateError::ExecuteMigration(source, _) => cannot(source),
        other => cannot(sqlx::Error::Migrate(Box::new(other))),
    }
}
