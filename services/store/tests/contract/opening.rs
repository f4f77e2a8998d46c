//! Opening an SQLite database: what stops it, and that it comes back as it was left.

use std::path::Path;

use fitup_store::sqlite::FILE_NAME;
use fitup_store::{OpenError, SqliteStore};

use crate::database::{Database, Sqlite};
use crate::facts::{change, plain_shop, unencoded};

async fn error(folder: &Path) -> OpenError {
    SqliteStore::open(folder).await.expect_err("it must not open")
}

#[tokio::test]
async fn a_folder_is_needed() {
    let database = Sqlite::fresh();
    let missing = database.folder.path().join("missing");
    let told = error(&missing).await;
    assert!(matches!(&told, OpenError::FolderMissing { folder } if *folder == missing));
    assert!(told.to_string().ends_with("does not exist; create it first"));
    let file = database.folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    assert!(matches!(error(&file).await, OpenError::FolderMissing { .. }));
}

/// Nobody, not even root, makes files in `/proc`.
#[cfg(target_os = "linux")]
#[tokio::test]
async fn the_folder_must_be_writable() {
    assert!(matches!(error(Path::new("/proc")).await, OpenError::FolderReadOnly { .. }));
}

#[tokio::test]
async fn a_newer_database_is_left_alone() {
    let database = Sqlite::fresh();
    database.open().await.close().await;
    let row = "insert into _sqlx_migrations values (9999, 'future', '2040-01-01', true, x'00', 1)";
    database.execute(row).await.unwrap();
    let told = error(database.folder.path()).await;
    assert!(matches!(told, OpenError::Newer { found: 9999, known: 8.., .. }), "{told}");
}

#[tokio::test]
async fn a_changed_migration_is_noticed() {
    let database = Sqlite::fresh();
    database.open().await.close().await;
    database.execute("update _sqlx_migrations set checksum = x'00' where version = 2").await.unwrap();
    let told = error(database.folder.path()).await;
    assert!(matches!(told, OpenError::MigrationDiffers { version: 2, .. }), "{told}");
}

#[tokio::test]
async fn what_is_not_ours_is_left_alone() {
    let database = Sqlite::fresh();
    let path = database.folder.path().join(FILE_NAME);
    let text = "a text that is longer than the header of a database ".repeat(99);
    std::fs::write(&path, &text).unwrap();
    let told = error(database.folder.path()).await;
    assert!(matches!(told, OpenError::Foreign { .. }), "{told}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);

    let database = Sqlite::fresh();
    std::fs::write(database.folder.path().join(FILE_NAME), "").unwrap();
    database.execute("create table bird (name text)").await.unwrap();
    let told = error(database.folder.path()).await;
    assert!(matches!(told, OpenError::Foreign { .. }), "{told}");
}

#[tokio::test]
async fn it_comes_back_as_it_was_left() {
    let database = Sqlite::fresh();
    let store = database.open().await;
    store.create_shop(&change(0), plain_shop("shop"), unencoded()).await.unwrap();
    let before = store.get_shop("shop").await.unwrap();
    store.close().await;
    let closed = store.get_shop("shop").await.unwrap_err();
    assert!(matches!(closed, fitup_store::Error::Unavailable(_)), "{closed}");
    let store = database.open().await;
    store.ping().await.unwrap();
    assert_eq!(store.get_shop("shop").await.unwrap(), before);
}
