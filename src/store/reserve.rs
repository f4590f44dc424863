//! A few megabytes beside the store that are given up when the disk is full, so that
//! alarms, letters and some hours of readings are still written while somebody makes room.

use super::beside::with_suffix;
use rustix::fs::FallocateFlags;
use std::fs::File;
use std::path::{Path, PathBuf};

/// How much is held back: some hours of a large room with its write-ahead log. Own choice.
const BYTES: u64 = 8 * 1024 * 1024;
/// It is made only where this many times its size is free.
const TIMES_FREE: u64 = 3;

/// Room on the disk that nobody else can take.
#[derive(Debug)]
pub struct Reserve {
    path: PathBuf,
}

impl Reserve {
    /// Takes the room, if there is enough of it; a disk without has no reserve.
    pub fn make(store: &Path) -> Option<Reserve> {
        let path = with_suffix(store, ".reserve");
        if path.metadata().is_ok_and(|found| found.len() == BYTES) {
            return Some(Reserve { path });
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let disk = rustix::fs::statvfs(folder).ok()?;
        if disk.f_bavail.saturating_mul(disk.f_frsize) < BYTES * TIMES_FREE {
            return None;
        }
        let taken = File::create(&path)
            .is_ok_and(|file| rustix::fs::fallocate(&file, FallocateFlags::empty(), 0, BYTES).is_ok());
        if !taken {
            // A file system that cannot promise room has no reserve.
            let _ = std::fs::remove_file(&path);
        }
        taken.then_some(Reserve { path })
    }

    /// Gives the room to the store.
    pub(crate) fn give_up(self) {
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::warn!(%error, "the reserve could not be given up");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reserve_holds_real_room_and_gives_it_back() {
        use std::os::unix::fs::MetadataExt;
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("room.db");
        let reserve = Reserve::make(&store).expect("a disk of a test has 24 MiB");
        let held = folder.path().join("room.db.reserve");
        assert!(held.metadata().unwrap().blocks() * 512 >= BYTES, "not a promise but blocks");
        assert!(Reserve::make(&store).is_some(), "found again");
        reserve.give_up();
        assert!(!held.exists());
    }
}
