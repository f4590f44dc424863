//! Opening the one writer's file: settings, check, upgrade, and what happens to
//! a file that cannot be trusted any more. Carrying rows over is `salvage`'s.

use super::beside::with_suffix;
use super::error::{StoreError, explain, must_exist};
use super::state_file::StateFile;
use super::{salvage, schema};
use crate::units::Timestamp;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How the file was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Opening {
    /// There was none; now there is.
    Created,
    /// As it was left.
    Opened {
        /// It was closed in good order. If not, the daemon was killed or the power was
        /// cut; everything committed is there.
        stopped_well: bool,
    },
    /// It was written by an older build and has been brought up to date.
    Upgraded {
        /// The version it had.
        from: usize,
    },
    /// It was damaged: a new one has been begun.
    Damaged {
        /// Where the damaged file lies now.
        set_aside: PathBuf,
        /// What was wrong with it, in SQLite's words.
        what: String,
        /// Rows that could be read from it and are in the new file.
        carried_over: u64,
    },
}

/// A file that is found damaged so many times, one after the other, is damaged. Once may be a
/// read that failed: SQLite says of a page it could not get what it says of a bad one. Own choice.
const LOOK_AGAIN: u32 = 3;

/// How long to wait for a lock: the longest write of another process is a chunk of retention.
pub(super) const PATIENCE: Duration = Duration::from_secs(5);

/// Opens `path` for writing; see [`super::Store::open`]. `looks_through`: the whole file is
/// read first. Where damage shows without, it is looked through all the same.
pub(super) fn open(path: &Path, now: Timestamp, mut looks_through: bool) -> Result<(Connection, Opening), StoreError> {
    let mut opened = open_sound(path, looks_through);
    for _ in 1..LOOK_AGAIN {
        if matches!(opened, Err(StoreError::Damaged { .. } | StoreError::Unreadable { .. })) {
            looks_through = true;
            opened = open_sound(path, looks_through);
        }
    }
    if matches!(opened, Err(StoreError::Unreadable { .. })) && !takes_files(path) {
        return opened;
    }
    match opened {
        Err(StoreError::Damaged { what, .. } | StoreError::Unreadable { what, .. }) => {
            let set_aside = set_aside(path, now)?;
            // It remembers rows that may not be carried over.
            StateFile::beside(path).remove();
            let (mut connection, _) = open_sound(path, true)?;
            let carried_over = salvage::carry_over(&set_aside, &mut connection).map_err(explain(path))?;
            settle(path, &connection)?;
            Ok((connection, Opening::Damaged { set_aside, what, carried_over }))
        }
        other => other,
    }
}

/// Writes down whether the file is closed in good order.
pub(super) fn mark_stopped_well(connection: &Connection, well: bool) -> rusqlite::Result<()> {
    let value = if well { "1" } else { "0" };
    connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES ('stopped_well', ?1)", params![value])?;
    Ok(())
}

/// Makes an empty file that nobody else can read; SQLite gives the log beside it the same
/// permissions. A file that is there stays as it is.
pub(super) fn create_private(path: &Path) -> std::io::Result<()> {
    std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map(|_| ())
}

/// Settings every connection of ours has.
pub(super) fn configure(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(PATIENCE)?;
    connection.set_prepared_statement_cache_capacity(64);
    connection.execute_batch("PRAGMA cache_size = -1024; PRAGMA temp_store = MEMORY; PRAGMA trusted_schema = OFF;")
}

/// Opens a store that the writer has made, to put something beside its own rows, and gives the
/// version it has. It is never made here: the file would belong to the wrong user.
pub(super) fn beside_the_writer(path: &Path) -> Result<(Connection, usize), StoreError> {
    must_exist(path)?;
    let explain = explain(path);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(&explain)?;
    configure(&connection).map_err(&explain)?;
    let found = schema::version(&connection).map_err(&explain)?;
    let known = schema::MIGRATIONS.len();
    if found > known {
        return Err(StoreError::Newer { path: path.to_owned(), found, known });
    }
    Ok((connection, found))
}

fn open_sound(path: &Path, looks_through: bool) -> Result<(Connection, Opening), StoreError> {
    let explain = explain(path);
    // Readings, names and letters are the grower's own. What hinders it SQLite says better.
    let _ = create_private(path);
    let mut connection = Connection::open(path).map_err(&explain)?;
    configure(&connection).map_err(&explain)?;
    // Until the file is known to be sound, closing it must not move the log into it.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).map_err(&explain)?;
    let fresh = is_fresh(&connection).map_err(&explain)?;
    if !fresh && !is_ours(&connection).map_err(&explain)? {
        return Err(StoreError::Foreign { path: path.to_owned() });
    }
    let known = schema::MIGRATIONS.len();
    let found = schema::version(&connection).map_err(&explain)?;
    if found > known {
        return Err(StoreError::Newer { path: path.to_owned(), found, known });
    }
    if fresh {
        // Only an empty file takes these two.
        connection.execute_batch("PRAGMA page_size = 4096; PRAGMA auto_vacuum = INCREMENTAL;").map_err(&explain)?;
    }
    connection
        .execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;
             PRAGMA wal_autocheckpoint = 200; PRAGMA journal_size_limit = 8388608;",
        )
        .map_err(&explain)?;
    let stopped_well = !fresh && stopped_well(&connection).map_err(&explain)?;
    // An old file is not brought up to date before it is known to be sound.
    if !fresh && (looks_through || found < known) {
        check(path, &connection, stopped_well)?;
    }
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false).map_err(&explain)?;
    schema::upgrade(&mut connection, schema::MIGRATIONS).map_err(&explain)?;
    mark_stopped_well(&connection, false).map_err(&explain)?;
    if fresh || found < known {
        settle(path, &connection)?;
    }
    let opening = match (fresh, found < known) {
        (true, _) => Opening::Created,
        (false, true) => Opening::Upgraded { from: found },
        (false, false) => Opening::Opened { stopped_well },
    };
    Ok((connection, opening))
}

fn is_fresh(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("SELECT count(*) = 0 FROM sqlite_schema", [], |row| row.get(0))
}

fn is_ours(connection: &Connection) -> rusqlite::Result<bool> {
    let id: i32 = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    Ok(id == schema::APPLICATION_ID)
}

fn stopped_well(connection: &Connection) -> rusqlite::Result<bool> {
    let mark: Option<String> =
        connection.query_row("SELECT value FROM meta WHERE key = 'stopped_well'", [], |row| row.get(0)).optional()?;
    Ok(mark.as_deref() == Some("1"))
}

/// After an orderly stop the quick check; else the full one, which also finds
/// keys out of order (measured: the quick one misses them).
fn check(path: &Path, connection: &Connection, stopped_well: bool) -> Result<(), StoreError> {
    let pragma = if stopped_well { "PRAGMA quick_check(1)" } else { "PRAGMA integrity_check(1)" };
    let verdict: String = connection.query_row(pragma, [], |row| row.get(0)).map_err(explain(path))?;
    if verdict == "ok" { Ok(()) } else { Err(StoreError::Damaged { path: path.to_owned(), what: verdict }) }
}

/// Whether the disk takes another file beside this one: then it is the place under this one
/// that is bad, and not the whole disk that is away for a while.
fn takes_files(path: &Path) -> bool {
    let trial = with_suffix(path, ".trial");
    let tried = std::fs::File::create(&trial).and_then(|mut file| {
        file.write_all(&[0; 4096])?;
        file.sync_all()
    });
    // What could not be made cannot be removed.
    let _ = std::fs::remove_file(&trial);
    tried.is_ok()
}

/// Renames the file and its write-ahead log to a dated name beside it.
fn set_aside(path: &Path, now: Timestamp) -> Result<PathBuf, StoreError> {
    let failed = |source| StoreError::File { path: path.to_owned(), doing: "set aside", source };
    let dated = with_suffix(path, &format!(".damaged-{}", now.format("%Y%m%dT%H%M%SZ")));
    let mut target = dated.clone();
    let mut nth = 1;
    while target.exists() {
        nth += 1;
        target = with_suffix(&dated, &format!("-{nth}"));
    }
    std::fs::rename(path, &target).map_err(failed)?;
    for part in ["-wal", "-shm"] {
        let beside = with_suffix(path, part);
        if beside.exists() {
            std::fs::rename(&beside, with_suffix(&target, part)).map_err(failed)?;
        }
    }
    Ok(target)
}

/// Brings a new file to the disk for good: without this a power cut may take the
/// directory entry, and with it the whole night.
fn settle(path: &Path, connection: &Connection) -> Result<(), StoreError> {
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).map_err(explain(path))?;
    sync_folder_of(path).map_err(|source| StoreError::File {
        path: path.to_owned(),
        doing: "flushed to the disk",
        source,
    })
}

/// Flushes the directory entry of `path`.
pub(super) fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::File::open(folder)?.sync_all()
}
