//! The file beside the store that holds what the engine remembers (`state`): put in place whole,
//! and taken away when what it came from is moved or set aside.

use super::beside::with_suffix;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// The file of the state beside a store.
#[derive(Debug)]
pub struct StateFile {
    path: PathBuf,
}

impl StateFile {
    /// That of the store at `store`.
    pub fn beside(store: &Path) -> StateFile {
        StateFile { path: with_suffix(store, ".state") }
    }

    /// Takes it away: what was kept does not fit any more.
    pub fn remove(&self) {
        // Mostly there is none.
        let _ = std::fs::remove_file(&self.path);
    }

    /// Its bytes, if there is one.
    pub(super) fn read(&self) -> Option<Vec<u8>> {
        std::fs::read(&self.path).ok()
    }

    /// Puts these bytes in its place, whole or not at all.
    pub(super) fn write(&self, bytes: &[u8]) -> std::io::Result<()> {
        let new = with_suffix(&self.path, ".new");
        let written = std::fs::OpenOptions::new()
            .create(true)
            .truncate(true)
            .write(true)
            .mode(0o600)
            .open(&new)
            .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_data()))
            .and_then(|()| std::fs::rename(&new, &self.path));
        if written.is_err() {
            // It may have taken the disk's last room.
            let _ = std::fs::remove_file(&new);
        }
        written
    }
}
