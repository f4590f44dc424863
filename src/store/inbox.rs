//! The letter box between processes: the verbs `log` and `alarms` put things in,
//! the running daemon takes them out and answers. The daemon remains the only
//! one who decides.

use super::error::{StoreError, explain};
use super::{Store, opening};
use crate::units::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
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
    /// The number under which its answer is waited for.
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
    /// The journal entry the item became.
    pub entry: Option<i64>,
}

/// What became of an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum InboxFate {
    /// The daemon has not looked at it yet.
    Waits,
    /// The daemon took it out.
    Answered {
        /// What it says; begins with "refused: " where it did not take it.
        answer: String,
        /// The journal entry it became.
        entry: Option<i64>,
    },
}

/// What became of an item: the stored answer as a type. On disk a refusal begins with a word, and
/// notes stand on a line of their own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum InboxOutcome {
    /// The daemon took it and the engine has heard it.
    Taken {
        /// As what it was understood; empty where that goes without saying.
        understood: String,
        /// What the sender should know besides, empty if nothing.
        notes: String,
    },
    /// It was refused, with the reason in a sentence.
    Refused(String),
}

const REFUSED: &str = "refused: ";

impl InboxOutcome {
    /// As it is kept.
    pub(crate) fn to_answer(&self) -> String {
        match self {
            InboxOutcome::Taken { understood, notes } if notes.is_empty() => understood.clone(),
            InboxOutcome::Taken { understood, notes } => format!("{understood}\n{notes}"),
            InboxOutcome::Refused(why) => format!("{REFUSED}{why}"),
        }
    }

    /// What [`InboxOutcome::to_answer`] wrote.
    pub(crate) fn of_answer(answer: &str) -> InboxOutcome {
        match answer.strip_prefix(REFUSED) {
            Some(why) => InboxOutcome::Refused(why.to_owned()),
            None => {
                let (understood, notes) = answer.split_once('\n').unwrap_or((answer, ""));
                InboxOutcome::Taken { understood: understood.to_owned(), notes: notes.to_owned() }
            }
        }
    }

    /// All of it in words, for whoever sent it.
    pub fn words(&self) -> String {
        match self {
            InboxOutcome::Taken { understood, notes } => {
                [understood.as_str(), notes.as_str()].join(" ").trim().to_owned()
            }
            InboxOutcome::Refused(why) => why.clone(),
        }
    }
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
        let (connection, _) = opening::beside_the_writer(&path)?;
        connection.execute_batch("PRAGMA synchronous = FULL;").map_err(explain(&path))?;
        Ok(Inbox { connection, path })
    }

    /// Puts something in; returns its number.
    pub fn put(&mut self, at: Timestamp, kind: InboxKind, body: &str) -> Result<i64, StoreError> {
        super::Seal::beside(&self.path).take_off();
        self.connection
            .execute(
                "INSERT INTO inbox (at, kind, body) VALUES (?1, ?2, ?3)",
                params![at.timestamp_millis(), kind.word(), body],
            )
            .map_err(explain(&self.path))?;
        Ok(self.connection.last_insert_rowid())
    }

    /// Puts something in that may come again: under one key it counts once, whoever sends it
    /// and how often. Returns the number of the item that counts.
    pub(crate) fn put_once(
        &mut self,
        at: Timestamp,
        kind: InboxKind,
        body: &str,
        key: &str,
    ) -> Result<i64, StoreError> {
        let put = || {
            self.connection.execute(
                "INSERT INTO inbox (at, kind, body, key) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
                params![at.timestamp_millis(), kind.word(), body, key],
            )?;
            self.connection.query_row("SELECT id FROM inbox WHERE key = ?1", params![key], |row| row.get(0))
        };
        put().map_err(explain(&self.path))
    }

    /// What became of an item; `None`: there is no such item.
    pub fn fate(&self, id: i64) -> Result<Option<InboxFate>, StoreError> {
        let fate = |row: &rusqlite::Row<'_>| {
            Ok(match row.get::<_, Option<i64>>(0)? {
                None => InboxFate::Waits,
                Some(_) => InboxFate::Answered { answer: row.get(1)?, entry: row.get(2)? },
            })
        };
        self.connection
            .query_row("SELECT taken_at, coalesce(answer, ''), entry FROM inbox WHERE id = ?1", params![id], fate)
            .optional()
            .map_err(explain(&self.path))
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
    pub(crate) fn answer_inbox(&mut self, reply: &InboxAnswer, at: Timestamp) -> Result<(), StoreError> {
        answer(&self.connection, reply, at).map_err(self.explain())
    }
}

/// Marks an item as taken. The first answer stands.
pub(super) fn answer(connection: &Connection, reply: &InboxAnswer, at: Timestamp) -> rusqlite::Result<()> {
    connection
        .prepare_cached("UPDATE inbox SET taken_at = ?2, answer = ?3, entry = ?4 WHERE id = ?1 AND taken_at IS NULL")?
        .execute(params![reply.id, at.timestamp_millis(), reply.answer, reply.entry])?;
    Ok(())
}
