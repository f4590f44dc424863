//! What can go wrong with the file, in sentences a grower understands. What to
//! do about it while running (keep alarming, do not acknowledge) is the daemon's.

use rusqlite::ErrorCode;
use std::path::{Path, PathBuf};

/// Why something could not be written down or looked up.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No room on the disk. The transaction is rolled back already; the same
    /// store works again once there is room.
    #[error(
        "{}: the disk is full, so nothing more can be written down; free some space (what was written before is safe)",
        path.display()
    )]
    Full {
        /// The store's file.
        path: PathBuf,
    },
    /// The file has been damaged. Opening the store again sets it aside.
    #[error("{}: the store is damaged ({what}); the next start sets it aside and begins a new one", path.display())]
    Damaged {
        /// The store's file.
        path: PathBuf,
        /// What SQLite said.
        what: String,
    },
    /// The disk does not give the file's first page, or its log, back: nothing of it can be
    /// looked up. Opening the store sets it aside where the disk takes other files.
    #[error("{}: the disk does not give the store back ({what}); see whether the card is failing", path.display())]
    Unreadable {
        /// The store's file.
        path: PathBuf,
        /// What SQLite said.
        what: String,
    },
    /// Somebody else holds the file for longer than five seconds.
    #[error("{}: another program holds the store; close it, or wait until it is done", path.display())]
    Busy {
        /// The store's file.
        path: PathBuf,
    },
    /// Another daemon watches with this store.
    #[error(
        "{}: another traywarden watches with this store already; stop that one first, or give this one a [store].path of its own",
        path.display()
    )]
    Watched {
        /// The store's file.
        path: PathBuf,
    },
    /// The file was written by a newer build.
    #[error(
        "{}: this store has version {found}, this program knows versions up to {known}; install the newer program again",
        path.display()
    )]
    Newer {
        /// The store's file.
        path: PathBuf,
        /// The schema version the file has.
        found: usize,
        /// The newest version this build knows.
        known: usize,
    },
    /// A healthy database of something else.
    #[error("{}: this database belongs to another program; set [store].path to a file of its own", path.display())]
    Foreign {
        /// The file that belongs to another program.
        path: PathBuf,
    },
    /// There is no store yet.
    #[error("{}: there is no store here yet; the daemon makes it at its first start", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The file is the daemon's, and whoever asks is somebody else.
    #[error(
        "{}: this user may not use the store; run it as the daemon's user: runuser -u traywarden -- traywarden VERB \
         (as root), or sudo -u traywarden traywarden VERB",
        path.display()
    )]
    NotAllowed {
        /// The store's file.
        path: PathBuf,
    },
    /// The file cannot be opened, read or written.
    #[error("{}: cannot be {doing}: {source}; check that the folder exists and that the daemon may write there", path.display())]
    File {
        /// The file that could not be opened, read or written.
        path: PathBuf,
        /// What was tried, as a participle.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// It could not be opened a moment ago, and is not tried again yet.
    #[error("{why}")]
    NotYet {
        /// What was said then.
        why: String,
    },
    /// A channel that was not in the rules the store was opened with.
    #[error(
        "channel {channel} is not one of the {known} channels the store was opened with; open it again with the new config"
    )]
    UnknownChannel {
        /// The channel's index.
        channel: u16,
        /// How many there are.
        known: usize,
    },
    /// Anything else SQLite says.
    #[error("{}: {source}", path.display())]
    Sqlite {
        /// The store's file.
        path: PathBuf,
        /// What it said.
        source: rusqlite::Error,
    },
}

/// Whether there is a store here at all. A folder that may not be entered hides it.
pub(super) fn must_exist(path: &Path) -> Result<(), StoreError> {
    match path.try_exists() {
        Ok(true) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
            Err(StoreError::NotAllowed { path: path.to_owned() })
        }
        Ok(false) | Err(_) => Err(StoreError::Missing { path: path.to_owned() }),
    }
}

/// The two codes SQLite has for it: EIO and its like (`CORRUPTFS`), and every other reason.
fn is_failed_read(error: &rusqlite::Error) -> bool {
    use rusqlite::ffi::{SQLITE_IOERR_CORRUPTFS, SQLITE_IOERR_READ};
    let code = error.sqlite_error().map(|error| error.extended_code);
    code.is_some_and(|code| [SQLITE_IOERR_CORRUPTFS, SQLITE_IOERR_READ].contains(&code))
}

/// Whether the system keeps this user from writing to the file.
fn is_forbidden(path: &Path) -> bool {
    let tried = std::fs::OpenOptions::new().write(true).open(path);
    tried.is_err_and(|error| error.kind() == std::io::ErrorKind::PermissionDenied)
}

/// Puts what SQLite said about the file at `path` into our words.
pub(super) fn explain(path: &Path) -> impl Fn(rusqlite::Error) -> StoreError + use<> {
    let path = path.to_owned();
    move |error| {
        let path = path.clone();
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => StoreError::Full { path },
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                StoreError::Damaged { path, what: error.to_string() }
            }
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => StoreError::Busy { path },
            Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) if is_forbidden(&path) => {
                StoreError::NotAllowed { path }
            }
            Some(ErrorCode::CannotOpen) => {
                StoreError::File { path, doing: "opened", source: std::io::Error::other(error.to_string()) }
            }
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
                StoreError::File { path, doing: "written", source: std::io::Error::other(error.to_string()) }
            }
            Some(ErrorCode::SystemIoFailure) if is_failed_read(&error) => {
                StoreError::Unreadable { path, what: error.to_string() }
            }
            Some(ErrorCode::SystemIoFailure) => {
                StoreError::File { path, doing: "read or written", source: std::io::Error::other(error.to_string()) }
            }
            _ => StoreError::Sqlite { path, source: error },
        }
    }
}
