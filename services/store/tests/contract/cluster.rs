//! A throw-away PostgreSQL server from the machine's own binaries, in a temporary folder, reached by a socket in it.
//!
//! PostgreSQL refuses to run as root; it runs as `nobody` then. A shell waits for the end of the tests, however they
//! end, and takes the server and its folder with it.

use std::env;
use std::fs;
use std::io::Write;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, OnceLock};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Set where the tests must not be skipped, as in CI.
const REQUIRED: &str = "FITUP_TEST_POSTGRES";
const HOW_TO: &str =
    "install PostgreSQL 15 or later (on Debian: apt-get install postgresql), or put its programs on PATH";
const DEADLINE: Duration = Duration::from_secs(60);

/// Runs the server with stdin as its leash: a line stops it by that signal, the end of the tests removes it.
const LEASH: &str = r#"
program=$0 folder=$1
shift
"$program" -D "$folder/data" -k "$folder" -c listen_addresses= -c fsync=off -c max_connections=500 \
    -c shared_buffers=64MB "$@" >>"$folder/log" 2>&1 &
read -r signal || over=yes
kill -"${signal:-QUIT}" $!
wait
[ -z "$over" ] || rm -rf "$folder"
"#;

pub struct Cluster {
    programs: PathBuf,
    folder: PathBuf,
    /// The user to run as, if the tests run as root.
    user: Option<(u32, u32)>,
    /// Settings of the server beside those of all.
    settings: Vec<String>,
    leash: Mutex<Option<Child>>,
}

/// Returns the one cluster of these tests; `None` if the machine has no PostgreSQL.
pub fn shared() -> Option<&'static Cluster> {
    static SHARED: OnceLock<Option<Cluster>> = OnceLock::new();
    SHARED.get_or_init(Cluster::start_new).as_ref()
}

impl Cluster {
    /// Makes a cluster and starts it; `None`, having said so, if the machine has no PostgreSQL.
    pub fn start_new() -> Option<Cluster> {
        let cluster = Cluster::make()?;
        cluster.start();
        Some(cluster)
    }

    /// Makes a cluster that is reached by TLS at a port of 127.0.0.1 too, with a certificate and its key in PEM form, and
    /// starts it; `None`, having said so, if the machine has no PostgreSQL.
    #[allow(dead_code, reason = "most tests use the socket")]
    pub fn start_with_tls(port: u16, certificate: &str, key: &str) -> Option<Cluster> {
        let mut cluster = Cluster::make()?;
        let data = cluster.folder.join("data");
        for (name, text) in [("server.crt", certificate), ("server.key", key)] {
            let path = data.join(name);
            fs::write(&path, text).expect("the folder is there");
            // PostgreSQL takes no key that others may read.
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).expect("it was made");
            if let Some((uid, gid)) = cluster.user {
                chown(&path, Some(uid), Some(gid)).expect("root may do so");
            }
        }
        let mut logins = fs::OpenOptions::new().append(true).open(data.join("pg_hba.conf")).expect("it was made");
        logins.write_all(b"hostssl all all 127.0.0.1/32 trust\n").expect("there is room");
        cluster.settings = flags(&["ssl=on", "listen_addresses=127.0.0.1", &format!("port={port}")]);
        cluster.start();
        Some(cluster)
    }

    /// Makes a cluster with settings that go before those of all others, and starts it; `None`, having said so, if the
    /// machine has no PostgreSQL.
    #[allow(dead_code, reason = "for measurements")]
    pub fn start_with(settings: &[&str]) -> Option<Cluster> {
        let mut cluster = Cluster::make()?;
        cluster.settings = flags(settings);
        cluster.start();
        Some(cluster)
    }

    /// Returns where it is.
    #[allow(dead_code, reason = "for measurements")]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn make() -> Option<Cluster> {
        let Some(programs) = find_programs() else {
            assert!(env::var_os(REQUIRED).is_none(), "{REQUIRED} is set and there is no PostgreSQL: {HOW_TO}");
            // Past the capture of output: what is skipped has to be seen.
            let _ = writeln!(std::io::stderr(), "skipped: there is no PostgreSQL to test with; {HOW_TO}");
            return None;
        };
        let folder = tempfile::Builder::new().prefix("fitup-pg-").tempdir().expect("there is room for a folder").keep();
        let user = (fs::metadata(&folder).expect("it was made").uid() == 0).then(nobody);
        if let Some((uid, gid)) = user {
            chown(&folder, Some(uid), Some(gid)).expect("root may do so");
        }
        let cluster = Cluster { programs, folder, user, settings: Vec::new(), leash: Mutex::new(None) };
        let data = cluster.folder.join("data");
        let arguments = ["--username=fitup", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync", "-D"];
        let made = cluster.command("initdb").args(arguments).arg(&data).output().expect("initdb was found");
        assert!(made.status.success(), "initdb: {}", String::from_utf8_lossy(&made.stderr));
        let logins = "local all guest scram-sha-256\nlocal all all trust\n";
        fs::write(data.join("pg_hba.conf"), logins).expect("the folder is there");
        Some(cluster)
    }

    /// Starts the server and waits until it takes connections.
    pub fn start(&self) {
        let mut command = Command::new("sh");
        let leash =
            self.as_user(&mut command).arg("-c").arg(LEASH).arg(self.programs.join("postgres")).arg(&self.folder);
        let leash =
            leash.args(&self.settings).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        *self.leash.lock().expect("no test panics with it") = Some(leash.expect("there is a shell"));
        let deadline = Instant::now() + DEADLINE;
        let pid_file = self.folder.join("data/postmaster.pid");
        // Its last line says `ready`: LOCK_FILE_LINE_PM_STATUS in src/include/utils/pidfile.h of PostgreSQL 15.
        while !fs::read_to_string(&pid_file).is_ok_and(|text| text.trim_end().ends_with("ready")) {
            let log = || fs::read_to_string(self.folder.join("log")).unwrap_or_default();
            assert!(Instant::now() < deadline, "PostgreSQL does not start: {}", log());
            sleep(Duration::from_millis(20));
        }
    }

    /// Stops the server by a signal: `INT` ends all connections in good order, `QUIT` is a crash.
    pub fn stop(&self, signal: &str) {
        let leash = self.leash.lock().expect("no test panics with it").take();
        let mut leash = leash.expect("it runs");
        let mut stdin = leash.stdin.take().expect("it was piped");
        writeln!(stdin, "{signal}").expect("the shell waits for it");
        leash.wait().expect("it runs");
    }

    /// Returns the address of a database.
    pub fn url(&self, user: &str, database: &str) -> String {
        format!("postgres://{user}@localhost/{database}?host={}", self.folder.display())
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(self.programs.join(program));
        self.as_user(&mut command).current_dir(&self.folder);
        command
    }

    fn as_user<'a>(&self, command: &'a mut Command) -> &'a mut Command {
        match self.user {
            Some((uid, gid)) => command.uid(uid).gid(gid),
            None => command,
        }
    }
}

fn flags(settings: &[&str]) -> Vec<String> {
    settings.iter().flat_map(|setting| ["-c".to_owned(), (*setting).to_owned()]).collect()
}

/// Looks on PATH, then where Debian puts them, the newest first.
fn find_programs() -> Option<PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<_> = env::split_paths(&path).collect();
    if let Ok(versions) = fs::read_dir("/usr/lib/postgresql") {
        let mut versions: Vec<_> = versions.flatten().map(|version| version.path().join("bin")).collect();
        versions.sort();
        folders.extend(versions.into_iter().rev());
    }
    folders.into_iter().find(|folder| ["initdb", "postgres"].iter().all(|program| folder.join(program).is_file()))
}

fn nobody() -> (u32, u32) {
    let id = |flag: &str| {
        let output = Command::new("id").args([flag, "nobody"]).output().expect("there is id");
        String::from_utf8_lossy(&output.stdout).trim().parse().expect("there is a user nobody")
    };
    (id("-u"), id("-g"))
}

/// Removes a cluster that is not shared.
impl Drop for Cluster {
    fn drop(&mut self) {
        if let Some(mut leash) = self.leash.get_mut().ok().and_then(Option::take) {
            drop(leash.stdin.take());
            let _ = leash.wait();
        }
        let _ = fs::remove_dir_all(Path::new(&self.folder));
    }
}
