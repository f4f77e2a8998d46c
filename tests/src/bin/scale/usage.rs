//! What processes have used so far, as Linux tells it: <https://man7.org/linux/man-pages/man5/proc_pid_stat.5.html>.

use std::fs;
use std::path::Path;

/// Clock ticks a second that `/proc` counts in: USER_HZ, 100 on every Linux that people run.
const TICKS: f64 = 100.0;

/// Processor time used so far, in seconds of one core.
#[derive(Debug, Clone, Copy, Default)]
pub struct Usage {
    /// By the servers.
    pub servers: f64,
    /// By the database.
    pub database: f64,
    /// By this program, which makes the load.
    pub load: f64,
}

impl Usage {
    /// Reads what was used so far by servers and the database whose first process is `database`.
    pub fn read(servers: &[u32], database: u32) -> Usage {
        let own = std::process::id();
        let mut usage = Usage::default();
        let folders = fs::read_dir("/proc").into_iter().flatten().flatten();
        for pid in folders.filter_map(|entry| entry.file_name().to_str()?.parse().ok()) {
            let Some(process) = Process::read(pid) else { continue };
            if servers.contains(&pid) {
                usage.servers += process.used;
            } else if pid == own {
                usage.load += process.used;
            } else if pid == database {
                // With those of its processes that have ended.
                usage.database += process.used + process.used_by_ended;
            } else if process.parent == database {
                usage.database += process.used;
            }
        }
        usage
    }

    /// Returns what was used since then.
    pub fn since(self, before: Usage) -> Usage {
        Usage {
            servers: self.servers - before.servers,
            database: self.database - before.database,
            load: self.load - before.load,
        }
    }
}

struct Process {
    parent: u32,
    used: f64,
    used_by_ended: f64,
}

impl Process {
    fn read(pid: u32) -> Option<Process> {
        let text = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
        // The name stands in parentheses and may hold anything; fields are counted from 3 after it.
        let fields: Vec<&str> = text.rsplit_once(')')?.1.split_whitespace().collect();
        let field = |number: usize| fields.get(number - 3)?.parse::<f64>().ok();
        Some(Process {
            parent: fields.get(1)?.parse().ok()?,
            used: (field(14)? + field(15)?) / TICKS,
            used_by_ended: (field(16)? + field(17)?) / TICKS,
        })
    }
}

/// Returns the most memory that a process has had, in MiB.
pub fn peak_memory(pid: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<u64>().ok()).unwrap_or(0) / 1024
}

/// Returns the size of the files in a folder and all below it, in bytes.
pub fn size(folder: &Path) -> u64 {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let sizes = entries.map(|entry| match entry.metadata() {
        Ok(data) if data.is_dir() => size(&entry.path()),
        Ok(data) => data.len(),
        // Gone meanwhile.
        Err(_) => 0,
    });
    sizes.sum()
}
