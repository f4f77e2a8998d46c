//! The file that tells scripts where the server listens.

use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// Writes `address` to `path` as a whole: who sees the file sees all of it.
///
/// # Errors
/// What the system says.
pub fn write(path: &Path, address: SocketAddr) -> std::io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}", std::process::id()));
    let beside = PathBuf::from(beside);
    let written = std::fs::File::create(&beside).and_then(|mut file| {
        writeln!(file, "{address}")?;
        file.sync_all()
    });
    written.and_then(|()| std::fs::rename(&beside, path)).inspect_err(|_| drop(std::fs::remove_file(&beside)))
}
