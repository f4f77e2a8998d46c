//! The database that several servers share: PostgreSQL 15 or later.
//!
//! A shop has one writer at a time: a change locks the row of its shop before it reads anything, so that it works on
//! the latest state and never has to be undone. Before that it locks its request id, so that a repeat waits for the
//! first answer. Locks are taken in this order, and whoever takes several shops waits for none of them; so no two wait
//! for each other. Reads see one state of the database and lock nothing.

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::pool::PoolOptions;
use sqlx::postgres::{PgConnectOptions, PgDatabaseError, PgListener};
use sqlx::{ConnectOptions, Connection as _, PgPool, Transaction};
use tokio::task::AbortHandle;

use crate::change::Change;
use crate::error::{Error, OpenError};
use crate::meaning::lost_a_race;
use crate::notice::{Notice, Sender};
use crate::open::migrate_error;
use crate::record::{Connections, PlanRunRecord};

// What the shared statements are compiled for.
type Db = sqlx::Postgres;
type Connection = sqlx::PgConnection;
type Handle = PostgresStore;

#[path = "sql/mod.rs"]
mod sql;

/// The plan run that waits longest of those whose shop nobody writes to, with both locked.
const NEXT_RUN: &str = "select shop_id, plan_run_id
    from plan_run
    join shop using (shop_id)
    where state = 'queued'
    order by plan_run.create_time, plan_run_id
    limit 1
    for update skip locked";

/// The plan runs whose lease has expired, of shops that nobody writes to, with all of them locked.
const EXPIRED_RUNS: &str = "select shop_id, plan_run_id
    from plan_run
    join shop using (shop_id)
    where state = 'running'
        and lease_time <= $1
    order by plan_run.create_time, plan_run_id
    for update skip locked";

const CHANNEL: &str = "fitup_plan_run";
const OLDEST: i64 = 15;
const CONNECTIONS: u32 = 16;
const QUEUE_TIMEOUT: Duration = Duration::from_secs(5);
const LISTEN_AGAIN: Duration = Duration::from_millis(250);
const ATTEMPTS: u32 = 5;

/// What a server does that was left alone with a lock or in a transaction, by a program that is gone.
const SESSION: [(&str, &str); 3] =
    [("lock_timeout", "10s"), ("idle_in_transaction_session_timeout", "30s"), ("statement_timeout", "60s")];

static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations/postgres");

/// Shops in a PostgreSQL database.
#[derive(Debug, Clone)]
pub struct PostgresStore {
    pool: PgPool,
    notices: Sender,
    _listening: Arc<Listening>,
}

/// A task that ends when it is dropped.
#[derive(Debug)]
struct Listening(AbortHandle);

impl Drop for Listening {
    fn drop(&mut self) {
        self.0.abort();
    }
}

impl PostgresStore {
    /// Opens the database at `url`, and brings its schema up to date. The url may ask for TLS by `sslmode` and
    /// `sslrootcert`.
    ///
    /// # Errors
    /// If the database cannot be reached, refuses the login, is not ours, is newer than the program, or lacks what it
    /// needs.
    pub async fn open(url: &str) -> Result<PostgresStore, OpenError> {
        let options: PgConnectOptions = url.parse().map_err(|source| OpenError::BadAddress { source })?;
        let options = options.application_name("fitupd").statement_cache_capacity(256);
        let database = name(&options);
        let cannot = |source| open_error(&database, source);
        let mut connection = options.connect().await.map_err(cannot)?;
        check_server(&mut connection, &database).await?;
        connection.close().await.map_err(cannot)?;
        // A migration may take longer than a change.
        let migrating =
            PoolOptions::<Db>::new().max_connections(1).connect_with(options.clone()).await.map_err(cannot)?;
        let migrated = MIGRATIONS.run(&migrating).await;
        migrated.map_err(|error| migrate_error(&database, &MIGRATIONS, error, cannot))?;
        migrating.close().await;

        let pool = PoolOptions::new().max_connections(CONNECTIONS).acquire_timeout(QUEUE_TIMEOUT);
        let pool = pool.connect_with(options.options(SESSION)).await.map_err(cannot)?;
        let notices = Sender::new();
        let listener = listener(&pool).await.map_err(cannot)?;
        let task = tokio::spawn(listen(listener, pool.clone(), notices.clone()));
        Ok(PostgresStore { pool, notices, _listening: Arc::new(Listening(task.abort_handle())) })
    }

    /// Begins a change: of a shop that is locked for it, by a request that is locked before.
    async fn begin(&self, change: Option<&Change>, shop: Option<&str>) -> Result<Transaction<'static, Db>, Error> {
        let mut attempt = 1;
        loop {
            match self.try_begin(change, shop).await {
                Err(error) if lost_a_race(&error) && attempt < ATTEMPTS => attempt += 1,
                done => return done,
            }
        }
    }

    async fn try_begin(&self, change: Option<&Change>, shop: Option<&str>) -> Result<Transaction<'static, Db>, Error> {
        let mut transaction = self.pool.begin_with("begin isolation level read committed read write").await?;
        if let Some((change, request)) = change.and_then(|change| Some((change, change.request.as_ref()?))) {
            sqlx::query("select pg_advisory_xact_lock(hashtextextended($1 || ' ' || $2, 0))")
                .bind(request.id.to_string())
                .bind(&change.actor)
                .execute(&mut *transaction)
                .await?;
        }
        if let Some(shop) = shop {
            sqlx::query("select 1 from shop where shop_id = $1 for update")
                .bind(shop)
                .execute(&mut *transaction)
                .await?;
        }
        Ok(transaction)
    }

    async fn begin_reading(&self) -> Result<Transaction<'static, Db>, Error> {
        Ok(self.pool.begin_with("begin isolation level repeatable read read only").await?)
    }

    /// The database tells all servers, this one included.
    fn tell(&self, _run: &PlanRunRecord) {}

    fn count_connections(&self) -> Connections {
        Connections { open: self.pool.size(), idle: self.pool.num_idle() as u32 }
    }

    async fn close_all(&self) {
        self.pool.close().await;
    }
}

/// Passes notices of the database on, until the pool is closed.
async fn listen(first: PgListener, pool: PgPool, notices: Sender) {
    let mut current = Ok(first);
    loop {
        if let Ok(listener) = &mut current {
            while let Ok(Some(notification)) = listener.try_recv().await {
                if let Some((shop, run)) = notification.payload().split_once('/') {
                    notices.send(Notice::PlanRun { shop: shop.to_owned(), run: run.to_owned() });
                }
            }
        }
        if pool.is_closed() {
            return;
        }
        tokio::time::sleep(LISTEN_AGAIN).await;
        current = listener(&pool).await;
        if current.is_ok() {
            // Only now: whoever reads again because of it misses nothing after.
            notices.send(Notice::Missed);
        }
    }
}

async fn listener(pool: &PgPool) -> Result<PgListener, sqlx::Error> {
    let mut listener = PgListener::connect_with(pool).await?;
    listener.eager_reconnect(false);
    listener.listen(CHANNEL).await?;
    Ok(listener)
}

/// Returns what tells databases apart, without user and password.
fn name(options: &PgConnectOptions) -> String {
    let database = options.get_database().unwrap_or(options.get_username());
    match options.get_socket() {
        Some(socket) => format!("postgres://{}/{database}", socket.display()),
        None => format!("postgres://{}:{}/{database}", options.get_host(), options.get_port()),
    }
}

/// Refuses a server that is too old, and a database that has tables but none of ours, before anything is changed in it.
async fn check_server(connection: &mut Connection, database: &str) -> Result<(), OpenError> {
    let cannot = |source| open_error(database, source);
    let (version,): (i64,) = sqlx::query_as("select current_setting('server_version_num')::bigint / 10000")
        .fetch_one(&mut *connection)
        .await
        .map_err(cannot)?;
    if version < OLDEST {
        return Err(OpenError::TooOld { database: database.to_owned(), found: version, oldest: OLDEST });
    }
    let (tables, ours): (i64, i64) = sqlx::query_as(
        "select count(*), count(*) filter (where relname = '_sqlx_migrations')
        from pg_class
        where relkind in ('r', 'p')
            and relnamespace = current_schema()::regnamespace
            and not exists (select 1 from pg_depend where objid = pg_class.oid and deptype = 'e')",
    )
    .fetch_one(&mut *connection)
    .await
    .map_err(cannot)?;
    if tables > 0 && ours == 0 {
        return Err(OpenError::Foreign { database: database.to_owned() });
    }
    Ok(())
}

/// Codes: <https://www.postgresql.org/docs/15/errcodes-appendix.html>
fn open_error(database: &str, source: sqlx::Error) -> OpenError {
    let database = database.to_owned();
    let told = source.as_database_error().and_then(|error| error.try_downcast_ref::<PgDatabaseError>());
    match (&source, told.map(|error| (error.code(), error.message()))) {
        (_, Some(("28P01" | "28000", _))) => OpenError::LoginRefused { database, source },
        (_, Some(("3D000", _))) => OpenError::NoSuchDatabase { database },
        (_, Some((_, message))) if message.contains("btree_gist") => OpenError::ExtensionMissing { database, source },
        (_, Some(("42501" | "25006", _))) => OpenError::NoRights { database, source },
        (sqlx::Error::Tls(_) | sqlx::Error::Configuration(_), _) => OpenError::NoTls { database, source },
        // How a handshake fails whose certificate is by another authority or for another name.
        (sqlx::Error::Io(error), _) if error.kind() == ErrorKind::InvalidData => OpenError::NoTls { database, source },
        // Without a socket, whose path stands in the name, the only file to be read is that of the authority.
        (sqlx::Error::Io(error), _)
            if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::PermissionDenied)
                && !database.starts_with("postgres:///") =>
        {
            OpenError::NoTls { database, source }
        }
        (sqlx::Error::Io(_) | sqlx::Error::PoolTimedOut, _) => OpenError::NotReached { database, source },
        _ => OpenError::Unreachable { database, source },
    }
}
