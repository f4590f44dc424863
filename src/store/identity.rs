//! Whether the file under us is still ours. Somebody may delete it, put another in its
//! place or cut it off while the daemon runs; SQLite goes on in the file it holds open, and
//! the next start would find nothing of that night.

use super::beside::with_suffix;
use crate::units::Timestamp;
use rusqlite::Connection;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// What stands at the store's path now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileFound {
    /// The file we hold open.
    AsLeft,
    /// No file stands there.
    Deleted,
    /// Another file stands there.
    Replaced,
    /// Ours, but shorter than a file that never shrinks by itself.
    CutOff,
}

/// Which file it is, and the least it may measure.
#[derive(Clone, Copy, Debug)]
pub(super) struct Identity {
    device: u64,
    inode: u64,
    bytes: u64,
}

impl Identity {
    pub(super) fn of(path: &Path) -> Option<Identity> {
        let file = path.metadata().ok()?;
        Some(Identity { device: file.dev(), inode: file.ino(), bytes: file.len() })
    }

    /// What stands at the path now. Costs one look-up in the folder.
    pub(super) fn compared(&mut self, path: &Path) -> FileFound {
        let Some(now) = Identity::of(path) else { return FileFound::Deleted };
        if (now.device, now.inode) != (self.device, self.inode) {
            // An empty file is what an editor or a shell leaves where ours was.
            return if now.bytes == 0 { FileFound::Deleted } else { FileFound::Replaced };
        }
        // The header alone is a page; retention gives pages back, but never all.
        if now.bytes < 4096.min(self.bytes) || now.bytes < self.bytes / 4 {
            return FileFound::CutOff;
        }
        self.bytes = now.bytes;
        FileFound::AsLeft
    }
}

/// Closes a file that was found so. What was deleted or replaced is still held open, and is
/// written out first: back to its place, or beside the new file. Returns where it lies.
pub(super) fn let_go(connection: Connection, path: PathBuf, found: FileFound, now: Timestamp) -> Option<PathBuf> {
    let dated = |what: &str| with_suffix(&path, &format!(".{what}-{}", now.format("%Y%m%dT%H%M%SZ")));
    let copy = match found {
        FileFound::Deleted => Some(dated("rescued")),
        FileFound::Replaced => Some(dated("replaced")),
        FileFound::AsLeft | FileFound::CutOff => None,
    };
    let rescued = copy.filter(|copy| {
        let written = connection.execute("VACUUM INTO ?1", [copy.to_string_lossy()]);
        written.inspect_err(|error| tracing::error!(%error, "what was in the store could not be rescued")).is_ok()
    });
    drop(connection);
    if found == FileFound::Deleted || found == FileFound::Replaced {
        // The log of the old file must not be taken for the new one's.
        for part in ["-wal", "-shm"] {
            let _ = std::fs::remove_file(with_suffix(&path, part));
        }
    }
    if found == FileFound::Deleted
        && let Some(copy) = &rescued
        && std::fs::rename(copy, &path).is_ok()
    {
        return Some(path);
    }
    rescued
}
