//! The letter box between processes: the verbs `log` and `alarms` put things in,
//! the running daemon takes them out and answers. The daemon remains the only
//! one who decides.

use super::error::{StoreError, explain, must_exist};
use super::{Store, opening, schema};
use crate::units::Timestamp;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::path::{Path, PathBuf};

/// What an item is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InboxKind {
    /// A journal entry, as `journal::Entry` reads it.
    Journal,
    /// An answer to an alarm, as `engine::event::Command` reads it.
    Command,
}

/// One thing that waits for the daemon.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InboxItem {
    /// Its number.
    pub id: i64,
    /// When it was put in.
    pub at: Timestamp,
    /// What it is about.
    pub kind: InboxKind,
    /// The JSON object, unread.
    pub body: String,
}

/// What the daemon says to an item. Its sender may read it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InboxAnswer {
    /// The item.
    pub id: i64,
    /// The answer, a sentence or JSON.
    pub answer: String,
}

/// The sender's end, in a process of its own.
pub struct Inbox {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
}

impl InboxKind {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            InboxKind::Journal => "journal",
            InboxKind::Command => "command",
        }
    }
}

impl Inbox {
    /// Opens the inbox of a store that the daemon has made. It is never made here:
    /// the file would belong to the wrong user.
    pub fn open(path: &Path) -> Result<Inbox, StoreError> {
        let path = path.to_owned();
        must_exist(&path)?;
        let explain = explain(&path);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(&path, flags).map_err(&explain)?;
        opening::configure(&connection).map_err(&explain)?;
        let found = schema::version(&connection).map_err(&explain)?;
        let known = schema::MIGRATIONS.len();
        if found > known {
            return Err(StoreError::Newer { path, found, known });
        }
        connection.execute_batch("PRAGMA synchronous = FULL;").map_err(&explain)?;
        drop(explain);
        Ok(Inbox { connection, path })
    }

    /// Puts something in; returns its number.
    pub fn put(&mut self, at: Timestamp, kind: InboxKind, body: &str) -> Result<i64, StoreError> {
        self.connection
            .execute(
                "INSERT INTO inbox (at, kind, body) VALUES (?1, ?2, ?3)",
                params![at.timestamp_millis(), kind.word(), body],
            )
            .map_err(explain(&self.path))?;
        Ok(self.connection.last_insert_rowid())
    }

    /// What the daemon said to an item; `None` while it waits.
    pub fn answer(&self, id: i64) -> Result<Option<String>, StoreError> {
        self.connection
            .query_row(
                "SELECT coalesce(answer, '') FROM inbox WHERE id = ?1 AND taken_at IS NOT NULL",
                params![id],
                |row| row.get(0),
            )
            .optional()
            .map_err(explain(&self.path))
    }
}

impl Store {
    /// Everything that waits, in the order it was put in. Answer it with
    /// [`super::Record::inbox`] in the commit that writes what it led to, or with
    /// [`Store::answer_inbox`] when it led to nothing.
    pub fn inbox(&self) -> Result<Vec<InboxItem>, StoreError> {
        let read = || {
            let mut statement = self
                .connection
                .prepare_cached("SELECT id, at, kind, body FROM inbox WHERE taken_at IS NULL ORDER BY id")?;
            let rows = statement.query_map([], |row| {
                let kind: String = row.get(2)?;
                Ok(InboxItem {
                    id: row.get(0)?,
                    at: Timestamp::from_timestamp_millis(row.get(1)?).unwrap_or_default(),
                    // The table takes no third word.
                    kind: if kind == "journal" { InboxKind::Journal } else { InboxKind::Command },
                    body: row.get(3)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(self.explain())
    }

    /// Takes an item out that led to no event.
    pub fn answer_inbox(&mut self, reply: &InboxAnswer, at: Timestamp) -> Result<(), StoreError> {
        answer(&self.connection, reply, at).map_err(self.explain())
    }
}

/// Marks an item as taken. The first answer stands.
pub(super) fn answer(connection: &Connection, reply: &InboxAnswer, at: Timestamp) -> rusqlite::Result<()> {
    connection
        .prepare_cached("UPDATE inbox SET taken_at = ?2, answer = ?3 WHERE id = ?1 AND taken_at IS NULL")?
        .execute(params![reply.id, at.timestamp_millis(), reply.answer])?;
    Ok(())
}
