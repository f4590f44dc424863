//! Whether the file under us is still ours. Somebody may delete it, put another in its
//! place or cut it off while the daemon runs; SQLite goes on in the file it holds open, and
//! the next start would find nothing of that night.

use super::Store;
use super::opening::with_suffix;
use crate::units::Timestamp;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// What stands at the store's path now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// The file we hold open.
    AsLeft,
    /// None.
    Deleted,
    /// Another.
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
}

impl Store {
    /// Looks at what stands at the path. Costs one look-up in the folder.
    pub fn found(&mut self) -> Found {
        let Some(known) = &mut self.identity else { return Found::AsLeft };
        let Some(now) = Identity::of(&self.path) else { return Found::Deleted };
        if (now.device, now.inode) != (known.device, known.inode) {
            // An empty file is what an editor or a shell leaves where ours was.
            return if now.bytes == 0 { Found::Deleted } else { Found::Replaced };
        }
        // The header alone is a page; retention gives pages back, but never all.
        if now.bytes < 4096.min(known.bytes) || now.bytes < known.bytes / 4 {
            return Found::CutOff;
        }
        known.bytes = now.bytes;
        Found::AsLeft
    }

    /// Closes a store that is to be opened anew. What was deleted or replaced is still held
    /// open here, and is written out first: back to its place, or beside the new file.
    /// Returns where it lies.
    pub fn let_go(self, found: Found, now: Timestamp) -> Option<PathBuf> {
        let Store { connection, path, .. } = self;
        let dated = |what: &str| with_suffix(&path, &format!(".{what}-{}", now.format("%Y%m%dT%H%M%SZ")));
        let copy = match found {
            Found::Deleted => Some(dated("rescued")),
            Found::Replaced => Some(dated("replaced")),
            Found::AsLeft | Found::CutOff => None,
        };
        let rescued = copy.filter(|copy| {
            let written = connection.execute("VACUUM INTO ?1", [copy.to_string_lossy()]);
            written.inspect_err(|error| tracing::error!(%error, "what was in the store could not be rescued")).is_ok()
        });
        drop(connection);
        if found == Found::Deleted || found == Found::Replaced {
            // The log of the old file must not be taken for the new one's.
            for part in ["-wal", "-shm"] {
                let _ = std::fs::remove_file(with_suffix(&path, part));
            }
        }
        if found == Found::Deleted
            && let Some(copy) = &rescued
            && std::fs::rename(copy, &path).is_ok()
        {
            return Some(path);
        }
        rescued
    }
}
