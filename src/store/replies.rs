//! Replies to letters: how far the mailbox was read, which letter a reply answers, what
//! became of it. The answers' task has this end; what a reply asks for goes into the inbox
//! like the words of any verb.

use super::error::{StoreError, explain};
use super::inbox::{Inbox, InboxKind};
use super::{Reader, Store};
use crate::engine::alarm::{AlarmKey, AlarmKind};
use crate::engine::event::LetterFacts;
use crate::units::Timestamp;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use std::path::Path;

/// Replies older than this many rows are forgotten.
const REPLIES_KEPT: usize = 1_000;

/// The answers' end of the store, with a connection of its own.
pub struct Replies {
    inbox: Inbox,
}

/// How far a mailbox has been read (RFC 3501, section 2.3.1.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MailboxPosition {
    /// UIDVALIDITY: under another one the numbers mean other mails.
    pub(crate) validity: u32,
    /// The highest UID that was looked at.
    pub uid: u32,
    /// When the mailbox was last looked at.
    pub at: Timestamp,
}

/// A letter as it went to one recipient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SentMail {
    /// The letter's id.
    pub letter: String,
    /// Whom it went to.
    pub recipient: String,
    /// Its Message-ID.
    pub message_id: String,
    /// Its subject.
    pub subject: String,
}

/// What became of a reply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReplyFate {
    /// It is being read. What stays so was lost with the program that read it.
    Reading,
    /// It was understood and put into the inbox.
    Taken,
    /// It was not understood.
    NotUnderstood,
    /// It carries the mark of no letter.
    NoMark,
    /// It carries the mark of a letter, but comes from an address we do not write to.
    Stranger,
}

impl ReplyFate {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            ReplyFate::Reading => "reading",
            ReplyFate::Taken => "taken",
            ReplyFate::NotUnderstood => "not-understood",
            ReplyFate::NoMark => "no-mark",
            ReplyFate::Stranger => "stranger",
        }
    }
}

impl Replies {
    /// Opens the store that the daemon has made.
    pub fn open(path: &Path) -> Result<Replies, StoreError> {
        Ok(Replies { inbox: Inbox::open(path)? })
    }

    /// How far a mailbox was read; `None`: never.
    pub fn position(&self, mailbox: &str) -> Result<Option<MailboxPosition>, StoreError> {
        self.read(|connection| {
            connection
                .query_row("SELECT validity, uid, at FROM mailbox WHERE name = ?1", [mailbox], |row| {
                    let at = Timestamp::from_timestamp_millis(row.get(2)?).unwrap_or_default();
                    Ok(MailboxPosition { validity: row.get(0)?, uid: row.get(1)?, at })
                })
                .optional()
        })
    }

    /// Notes how far a mailbox was read. Before a mail is parsed, so that one that brings
    /// the program down does not do so again.
    pub(crate) fn move_to(&mut self, mailbox: &str, position: MailboxPosition) -> Result<(), StoreError> {
        self.read(|connection| {
            connection.execute(
                "INSERT OR REPLACE INTO mailbox (name, validity, uid, at) VALUES (?1, ?2, ?3, ?4)",
                params![mailbox, position.validity, position.uid, position.at.timestamp_millis()],
            )
        })
        .map(drop)
    }

    /// The mail of ours that has one of these Message-IDs, without angle brackets.
    pub(crate) fn mail_of_ids(&self, ids: &[String]) -> Result<Option<SentMail>, StoreError> {
        for id in ids {
            let found = self.read(|connection| {
                connection
                    .query_row(&format!("{MAIL} WHERE outbox.message_id = ?1"), [format!("<{id}>")], sent_mail)
                    .optional()
            })?;
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    /// The mails since `since` to this recipient, newest first: one of them may carry a code.
    pub(crate) fn mails_to(&self, recipient: &str, since: Timestamp) -> Result<Vec<SentMail>, StoreError> {
        self.read(|connection| {
            connection
                .prepare_cached(&format!(
                    "{MAIL} WHERE outbox.channel = 'mail' AND outbox.recipient = ?1 COLLATE NOCASE AND letter.at >= ?2 ORDER BY letter.at DESC"
                ))?
                .query_map(params![recipient, since.timestamp_millis()], sent_mail)?
                .collect()
        })
    }

    /// The alarms a letter told of; with those of letters that waited so long that this one
    /// tells them too.
    pub(crate) fn alarms_of(&self, letter: &str) -> Result<Vec<AlarmKey>, StoreError> {
        self.read(|connection| {
            let mut statement = connection
                .prepare_cached(
                    "SELECT DISTINCT kind, subject FROM letter_alarm
                      WHERE letter = ?1 OR letter IN (SELECT letter FROM outbox WHERE told_by = ?1) ORDER BY kind, subject",
                )?;
            let rows = statement.query_map([letter], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
            let mut keys = Vec::new();
            for row in rows {
                let (kind, subject) = row?;
                keys.extend(AlarmKind::from_word(&kind).map(|kind| AlarmKey { kind, subject }));
            }
            Ok(keys)
        })
    }

    /// Whether a mail with this Message-ID was read before: under a new UIDVALIDITY it
    /// comes again.
    pub fn knows(&self, message_id: &str) -> Result<bool, StoreError> {
        self.read(|connection| {
            connection.prepare_cached("SELECT 1 FROM reply WHERE message_id = ?1")?.exists([message_id])
        })
    }

    /// Notes that a mail is being read, and gives its number.
    pub fn begin(&mut self, at: Timestamp, message_id: &str, sender: &str) -> Result<i64, StoreError> {
        self.read(|connection| {
            connection.execute(
                "DELETE FROM reply WHERE id <= (SELECT max(id) FROM reply) - ?1",
                params![REPLIES_KEPT as i64],
            )?;
            connection.execute(
                "INSERT INTO reply (at, message_id, sender, fate) VALUES (?1, ?2, ?3, 'reading')",
                params![at.timestamp_millis(), message_id, sender],
            )?;
            Ok(connection.last_insert_rowid())
        })
    }

    /// Forgets a mail that turned out to be none of ours.
    pub fn forget(&mut self, reply: i64) -> Result<(), StoreError> {
        self.read(|connection| connection.execute("DELETE FROM reply WHERE id = ?1", [reply])).map(drop)
    }

    /// What became of it; and, all or nothing, what it asks for goes into the inbox.
    /// Returns the inbox's numbers.
    pub fn settle(
        &mut self,
        reply: i64,
        letter: Option<&str>,
        fate: ReplyFate,
        at: Timestamp,
        asked: &[(InboxKind, String)],
    ) -> Result<Vec<i64>, StoreError> {
        let explain = explain(&self.inbox.path);
        let mut write = || {
            let transaction = self.inbox.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            transaction.execute(
                "UPDATE reply SET letter = ?2, fate = ?3 WHERE id = ?1",
                params![reply, letter, fate.word()],
            )?;
            let mut numbers = Vec::new();
            for (kind, body) in asked {
                transaction.execute(
                    "INSERT INTO inbox (at, kind, body) VALUES (?1, ?2, ?3)",
                    params![at.timestamp_millis(), kind.word(), body],
                )?;
                numbers.push(transaction.last_insert_rowid());
            }
            transaction.commit()?;
            Ok(numbers)
        };
        write().map_err(explain)
    }

    /// What the daemon said to an inbox item; `None` while it waits.
    pub fn answer(&self, item: i64) -> Result<Option<String>, StoreError> {
        self.inbox.answer(item)
    }

    /// Notes that a reply is answered by a letter of ours, which tells of the same alarms as
    /// the letter that was answered; unless more than `most` were since `since`. Returns
    /// whether it may be written.
    pub(crate) fn may_answer(
        &mut self,
        reply: i64,
        at: Timestamp,
        since: Timestamp,
        most: u32,
        letters: (&str, &str),
    ) -> Result<bool, StoreError> {
        let explain = explain(&self.inbox.path);
        let (answered, ours) = letters;
        let mut write = || {
            let transaction = self.inbox.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let so_far: u32 = transaction.query_row(
                "SELECT count(*) FROM reply WHERE answered_at > ?1",
                [since.timestamp_millis()],
                |row| row.get(0),
            )?;
            if so_far >= most {
                return Ok(false);
            }
            transaction
                .execute("UPDATE reply SET answered_at = ?2 WHERE id = ?1", params![reply, at.timestamp_millis()])?;
            transaction.execute(
                "INSERT OR IGNORE INTO letter_alarm (letter, kind, subject)
                 SELECT ?2, kind, subject FROM letter_alarm WHERE letter = ?1",
                params![answered, ours],
            )?;
            transaction.commit()?;
            Ok(true)
        };
        write().map_err(explain)
    }

    /// Replies that were being read when the program ended. They are lost, and this is said
    /// once.
    pub fn lost(&mut self) -> Result<usize, StoreError> {
        self.read(|connection| connection.execute("UPDATE reply SET fate = 'lost' WHERE fate = 'reading'", []))
    }

    fn read<T>(&self, look: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, StoreError> {
        look(&self.inbox.connection).map_err(explain(&self.inbox.path))
    }
}

const MAIL: &str = "SELECT outbox.letter, outbox.recipient, outbox.message_id, coalesce(letter.subject, '')
                      FROM outbox LEFT JOIN letter ON letter.id = outbox.letter";

fn sent_mail(row: &rusqlite::Row<'_>) -> rusqlite::Result<SentMail> {
    Ok(SentMail { letter: row.get(0)?, recipient: row.get(1)?, message_id: row.get(2)?, subject: row.get(3)? })
}

impl Reader {
    /// How many replies of this span were not taken, for want of a mark or of a known address.
    pub(crate) fn refused_replies(&self, from: Timestamp, until: Timestamp) -> Result<u32, StoreError> {
        self.connection
            .query_row(
                "SELECT count(*) FROM reply WHERE at >= ?1 AND at < ?2 AND fate IN ('no-mark', 'stranger')",
                params![from.timestamp_millis(), until.timestamp_millis()],
                |row| row.get(0),
            )
            .map_err(explain(&self.path))
    }

    /// The key of the marks, if the daemon has made one.
    pub fn mark_key(&self) -> Result<Option<[u8; 32]>, StoreError> {
        mark_key(&self.connection).map_err(explain(&self.path))
    }
}

impl Store {
    /// The key of the marks. The first time it is `fresh`, and it is kept.
    pub fn mark_key(&mut self, fresh: [u8; 32]) -> Result<[u8; 32], StoreError> {
        let keep = || {
            if let Some(kept) = mark_key(&self.connection)? {
                return Ok(kept);
            }
            let written: String = fresh.iter().map(|byte| format!("{byte:02x}")).collect();
            self.connection.execute("INSERT OR REPLACE INTO meta (key, value) VALUES ('mark_key', ?1)", [written])?;
            Ok(fresh)
        };
        keep().map_err(self.explain())
    }
}

fn mark_key(connection: &Connection) -> rusqlite::Result<Option<[u8; 32]>> {
    let written: Option<String> =
        connection.query_row("SELECT value FROM meta WHERE key = 'mark_key'", [], |row| row.get(0)).optional()?;
    // One that was damaged is made anew: older letters can then be answered by their Message-ID only.
    Ok(written.and_then(|written| {
        let bytes = written.as_bytes();
        let mut key = [0; 32];
        if bytes.len() != 64 {
            return None;
        }
        for (byte, pair) in key.iter_mut().zip(bytes.chunks(2)) {
            *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
        }
        Some(key)
    }))
}

/// Which alarms a letter tells of.
pub(super) fn put_alarms(connection: &Connection, facts: &LetterFacts) -> rusqlite::Result<()> {
    let standing = facts.digest.iter().flat_map(|day| day.standing.iter()).flat_map(|situation| &situation.alarms);
    for change in facts.alarms().map(|(_, change)| change).chain(standing) {
        connection
            .prepare_cached("INSERT OR IGNORE INTO letter_alarm (letter, kind, subject) VALUES (?1, ?2, ?3)")?
            .execute(params![facts.id, change.key.kind.word(), change.key.subject])?;
    }
    Ok(())
}
