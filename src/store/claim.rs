//! One store, one watch: two daemons on one file would send every letter twice and take
//! each other's readings. A lock file beside the store says that somebody is at it; the
//! system lets go of it when the process ends, however it ends.

use super::error::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

/// Held for as long as the daemon runs.
#[derive(Debug)]
#[must_use = "the store is given up when this is dropped"]
pub struct Claim {
    _file: File,
}

/// Claims the store at `path` for this process.
///
/// # Errors
/// When another process holds it, or the lock file cannot be made.
pub fn claim(path: &Path) -> Result<Claim, StoreError> {
    // Not the store's own file: closing a second handle of it would drop SQLite's locks.
    let mut lock = path.as_os_str().to_owned();
    lock.push(".lock");
    let lock = PathBuf::from(lock);
    let failed = |source| StoreError::File { path: lock.clone(), doing: "opened", source };
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(&lock).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => Ok(Claim { _file: file }),
        Err(TryLockError::WouldBlock) => Err(StoreError::Watched { path: path.to_owned() }),
        Err(TryLockError::Error(source)) => Err(failed(source)),
    }
}

/// Whether a daemon watches with the store at `path`. Makes nothing, so that asking as another
/// user leaves no file behind.
pub fn is_watched(path: &Path) -> bool {
    let mut lock = path.as_os_str().to_owned();
    lock.push(".lock");
    File::open(PathBuf::from(lock)).is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_store_that_is_watched_is_not_watched_twice_until_the_first_watch_ends() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("room.db");
        let first = claim(&path).unwrap();
        let refused = claim(&path).unwrap_err().to_string();
        assert!(refused.contains("another traywarden"), "{refused}");
        assert!(is_watched(&path));
        drop(first);
        assert!(!is_watched(&path));
        assert!(claim(&path).is_ok());
    }
}
