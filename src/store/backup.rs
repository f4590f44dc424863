//! A copy of the store while the daemon writes: compact, checked, and under its
//! name only when it is whole.

use super::beside::with_suffix;
use super::error::{StoreError, explain, must_exist};
use super::opening::{PATIENCE, create_private, sync_folder_of};
use rusqlite::{Connection, OpenFlags, params};
use std::path::Path;

/// Copies the store at `from` to `to`, replacing an older copy there. The copy is
/// made under a temporary name, read through, flushed and then renamed, so that
/// `to` is never half a backup. The writer is not held up.
pub fn backup(from: &Path, to: &Path) -> Result<(), StoreError> {
    must_exist(from)?;
    let file_error = |doing| move |source| StoreError::File { path: to.to_owned(), doing, source };
    if is_same_file(from, to) {
        let source = std::io::Error::other("this is the store itself");
        return Err(file_error("written as its own backup")(source));
    }
    let part = with_suffix(to, ".part");
    // A link of that name goes too, and is not followed.
    if part.symlink_metadata().is_ok() {
        std::fs::remove_file(&part).map_err(file_error("cleared of an unfinished backup"))?;
    }
    create_private(&part).map_err(file_error("begun"))?;
    let copied = copy_and_check(from, &part);
    if copied.is_err() && part.exists() {
        // Best effort: the error of the copy is what matters.
        let _ = std::fs::remove_file(&part);
    }
    copied?;
    let flush = || -> std::io::Result<()> {
        std::fs::File::open(&part)?.sync_all()?;
        std::fs::rename(&part, to)?;
        sync_folder_of(to)
    };
    flush().map_err(file_error("finished"))
}

fn copy_and_check(from: &Path, part: &Path) -> Result<(), StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let source = Connection::open_with_flags(from, flags).map_err(explain(from))?;
    source.busy_timeout(PATIENCE).map_err(explain(from))?;
    // A full disk is the copy's, so the error names the copy; damage is the source's.
    source.execute("VACUUM INTO ?1", params![part.to_string_lossy()]).map_err(|error| match explain(from)(error) {
        StoreError::Full { .. } => StoreError::Full { path: part.to_owned() },
        other => other,
    })?;
    let copy = Connection::open_with_flags(part, flags).map_err(explain(part))?;
    let verdict: String = copy.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(explain(part))?;
    if verdict == "ok" { Ok(()) } else { Err(StoreError::Damaged { path: part.to_owned(), what: verdict }) }
}

fn is_same_file(one: &Path, other: &Path) -> bool {
    match (one.canonicalize(), other.canonicalize()) {
        (Ok(one), Ok(other)) => one == other,
        _ => false,
    }
}
