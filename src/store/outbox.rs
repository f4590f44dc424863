//! Letters that wait for the mail server. A mail leaves the outbox only when the
//! server took it or refused it for good; when to try again is decided by
//! `notify`, which passes it in.

use super::Store;
use super::error::StoreError;
use crate::notify::letter::{Letter, Mail};
use crate::units::Timestamp;
use rusqlite::{Connection, params};

/// A mail whose next try is due.
#[derive(Clone, Debug, PartialEq)]
pub struct WaitingMail {
    /// The mail.
    pub mail: Mail,
    /// How often it was tried.
    pub tries: u32,
    /// When its letter was decided.
    pub decided_at: Timestamp,
}

/// What became of one try to send a mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MailOutcome {
    /// The mail server took it.
    Sent {
        /// Which mail.
        message_id: String,
    },
    /// It did not.
    Failed {
        /// Which mail.
        message_id: String,
        /// The server's words, or ours.
        error: String,
        /// When to try again; `None`: never.
        not_before: Option<Timestamp>,
    },
}

/// How far a letter has come, over all its recipients.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LetterProgress {
    /// Mails that wait.
    pub waiting: u32,
    /// Mails the server took.
    pub sent: u32,
    /// Mails given up.
    pub failed: u32,
}

impl Store {
    /// Mails whose next try is due, the oldest first.
    pub fn waiting_mails(&self, now: Timestamp) -> Result<Vec<WaitingMail>, StoreError> {
        let read = || {
            let mut statement = self.connection.prepare_cached(
                "SELECT mail.letter, recipient, sender, message_id, bytes, tries, coalesce(letter.at, 0)
                   FROM mail LEFT JOIN letter ON letter.id = mail.letter
                  WHERE state = 'waiting' AND not_before <= ?1 ORDER BY mail.id",
            )?;
            let rows = statement.query_map(params![now.timestamp_millis()], |row| {
                Ok(WaitingMail {
                    mail: Mail {
                        letter: row.get(0)?,
                        recipient: row.get(1)?,
                        sender: row.get(2)?,
                        message_id: row.get(3)?,
                        bytes: row.get(4)?,
                    },
                    tries: row.get(5)?,
                    decided_at: Timestamp::from_timestamp_millis(row.get(6)?).unwrap_or_default(),
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(self.explain())
    }

    /// When the next mail is due; `None`: none waits.
    pub fn next_mail_due(&self) -> Result<Option<Timestamp>, StoreError> {
        let due: Option<i64> = self
            .connection
            .query_row("SELECT min(not_before) FROM mail WHERE state = 'waiting'", [], |row| row.get(0))
            .map_err(self.explain())?;
        Ok(due.and_then(Timestamp::from_timestamp_millis))
    }

    /// Notes that the mail server took a mail.
    pub fn mail_sent(&mut self, message_id: &str, at: Timestamp) -> Result<(), StoreError> {
        let outcome = MailOutcome::Sent { message_id: message_id.to_owned() };
        note(&self.connection, &outcome, at).map_err(self.explain())
    }

    /// Notes that it did not; `not_before` is the next try, `None` gives it up.
    pub fn mail_failed(
        &mut self,
        message_id: &str,
        at: Timestamp,
        error: &str,
        not_before: Option<Timestamp>,
    ) -> Result<(), StoreError> {
        let outcome = MailOutcome::Failed { message_id: message_id.to_owned(), error: error.to_owned(), not_before };
        note(&self.connection, &outcome, at).map_err(self.explain())
    }

    /// How far a letter has come. All zero for a letter without mails.
    pub fn letter_progress(&self, letter: &str) -> Result<LetterProgress, StoreError> {
        self.connection
            .prepare_cached(
                "SELECT count(*) FILTER (WHERE state = 'waiting'), count(*) FILTER (WHERE state = 'sent'),
                        count(*) FILTER (WHERE state = 'failed') FROM mail WHERE letter = ?1",
            )
            .and_then(|mut count| {
                count.query_row(params![letter], |row| {
                    Ok(LetterProgress { waiting: row.get(0)?, sent: row.get(1)?, failed: row.get(2)? })
                })
            })
            .map_err(self.explain())
    }
}

/// Puts a letter and its mails in, unless the letter was there before.
pub(super) fn put(connection: &Connection, letter: &Letter, mails: &[Mail]) -> rusqlite::Result<()> {
    let at = letter.at.timestamp_millis();
    let new = connection
        .prepare_cached(
            "INSERT OR IGNORE INTO letter (id, at, kind, answers, subject, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![letter.id, at, letter.kind.word(), letter.answers, letter.subject, letter.text])?;
    if new == 0 {
        return Ok(());
    }
    for mail in mails {
        connection
            .prepare_cached(
                "INSERT OR IGNORE INTO mail (letter, recipient, sender, message_id, bytes, state, tries, not_before)
                 VALUES (?1, ?2, ?3, ?4, ?5, 'waiting', 0, ?6)",
            )?
            .execute(params![mail.letter, mail.recipient, mail.sender, mail.message_id, mail.bytes, at])?;
    }
    Ok(())
}

/// Writes down what became of a try. A mail that was sent stays sent.
pub(super) fn note(connection: &Connection, outcome: &MailOutcome, at: Timestamp) -> rusqlite::Result<()> {
    let at = at.timestamp_millis();
    match outcome {
        MailOutcome::Sent { message_id } => connection
            .prepare_cached(
                "UPDATE mail SET state = 'sent', tries = tries + 1, last_error = NULL, done_at = ?2
                  WHERE message_id = ?1 AND state <> 'sent'",
            )?
            .execute(params![message_id, at])?,
        MailOutcome::Failed { message_id, error, not_before: Some(next) } => connection
            .prepare_cached(
                "UPDATE mail SET tries = tries + 1, last_error = ?2, not_before = ?3
                  WHERE message_id = ?1 AND state = 'waiting'",
            )?
            .execute(params![message_id, error, next.timestamp_millis()])?,
        MailOutcome::Failed { message_id, error, not_before: None } => connection
            .prepare_cached(
                "UPDATE mail SET state = 'failed', tries = tries + 1, last_error = ?2, done_at = ?3
                  WHERE message_id = ?1 AND state = 'waiting'",
            )?
            .execute(params![message_id, error, at])?,
    };
    Ok(())
}
