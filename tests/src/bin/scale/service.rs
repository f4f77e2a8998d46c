//! Three servers on one database, as they are run, and what reaches them.

use std::error::Error;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fitup_server::access::secret::Secret;
use fitup_store::{Change, NewToken, Role, Scope};
use fitup_tests::server::START;
use tempfile::TempDir;
use tonic::Request;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::{Channel, Endpoint};

use crate::cluster::Cluster;
use crate::usage::Usage;

/// The database with its servers. They are killed when this is dropped.
pub struct Service {
    /// The database.
    pub cluster: Cluster,
    /// Processes of the servers.
    pub servers: Vec<Child>,
    channels: Vec<Channel>,
    bearer: MetadataValue<Ascii>,
    _folder: TempDir,
}

impl Drop for Service {
    fn drop(&mut self) {
        for server in &mut self.servers {
            // Fails if it has ended.
            let _ = server.kill();
            let _ = server.wait();
        }
    }
}

impl Service {
    /// Starts a database that writes through to the disk, and so many servers, each with one plan run on one thread.
    pub async fn start(program: &Path, servers: usize) -> Result<Service, Box<dyn Error>> {
        let cluster = Cluster::start_with(&["fsync=on", "shared_buffers=1GB"]).ok_or("there is no PostgreSQL")?;
        let database = cluster.url("fitup", "postgres");
        let bearer = format!("bearer {}", token(&database).await?).parse()?;
        let folder = tempfile::tempdir()?;
        let mut service = Service { cluster, servers: Vec::new(), channels: Vec::new(), bearer, _folder: folder };
        for number in 0..servers {
            let port_file = service._folder.path().join(format!("port-{number}"));
            let mut command = Command::new(program);
            command.args(["--listen", "127.0.0.1:0", "--require-tokens", "--rate-limit", "1000000", "--log", "warn"]);
            command.args(["--plan-runs", "1", "--solver-threads", "1", "--queue-limit-in-all", "20000"]);
            // Clocks that are set run from the start of each server, and leases are by their clocks.
            command.args(["--lease-seconds", "60", "--clock-start", START]);
            command.args(["--database", &database]).arg("--port-file").arg(&port_file);
            service.servers.push(command.stderr(Stdio::inherit()).spawn()?);
            let address = read_when_there(&port_file).await?;
            service.channels.push(Endpoint::from_shared(format!("http://{address}"))?.connect().await?);
        }
        Ok(service)
    }

    /// Returns a connection, another one for each number.
    pub fn channel(&self, number: usize) -> Channel {
        self.channels[number % self.channels.len()].clone()
    }

    /// Returns a request with the token.
    pub fn request<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        request.metadata_mut().insert("authorization", self.bearer.clone());
        request
    }

    /// Returns the processor time used so far.
    pub fn usage(&self) -> Usage {
        let servers: Vec<u32> = self.servers.iter().map(Child::id).collect();
        let file = std::fs::read_to_string(self.cluster.folder().join("data/postmaster.pid")).unwrap_or_default();
        let database = file.lines().next().and_then(|line| line.trim().parse().ok()).unwrap_or(0);
        Usage::read(&servers, database)
    }
}

/// Makes a token for all shops in the database itself, good by the clock that the servers are given.
async fn token(database: &str) -> Result<String, Box<dyn Error>> {
    let (secret, at) = (Secret::draw()?, START.parse::<jiff::Timestamp>()?);
    let new = NewToken {
        id: "scale".into(),
        display_name: "scale".into(),
        role: Role::Manager,
        scope: Scope::All,
        digest: secret.digest(),
        expire_time: at + jiff::SignedDuration::from_hours(24),
    };
    let change = Change { at, actor: "scale".into(), origin: None, request: None };
    let store = fitup_store::open(database).await?;
    store.create_token(&change, new, Box::new(|_| vec![])).await?;
    store.close().await;
    Ok(secret.text())
}

async fn read_when_there(path: &Path) -> Result<String, Box<dyn Error>> {
    let started = Instant::now();
    loop {
        match std::fs::read_to_string(path) {
            Ok(text) if text.ends_with('\n') => return Ok(text.trim().to_owned()),
            _ if started.elapsed() > Duration::from_secs(30) => return Err("a server does not start".into()),
            _ => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    }
}
