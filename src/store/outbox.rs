//! Parcels that wait for the mail server or the lamp. A parcel leaves the outbox only
//! when it was taken, refused for good, or told by another letter; when to try again is
//! decided by `notify`, which passes it in.

use super::Store;
use super::error::StoreError;
use crate::engine::event::LetterKind;
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::units::Timestamp;
use rusqlite::{Connection, Row, params};
use std::collections::BTreeSet;

/// A parcel that waits.
#[derive(Clone, Debug, PartialEq)]
pub struct WaitingParcel {
    /// The parcel.
    pub parcel: Parcel,
    /// How often it was tried.
    pub(crate) tries: u32,
    /// When its letter was decided; for a lamp when the alarm changed.
    pub(crate) decided_at: Timestamp,
    /// Its letter's kind.
    pub kind: LetterKind,
    /// Its letter's subject; empty for a lamp.
    pub subject: String,
    /// Its letter in plain text; empty for a lamp.
    pub text: String,
    /// Letters to the same recipient that are told by this one.
    pub tells: BTreeSet<String>,
}

/// What became of a parcel, as it is written down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StoredOutcome {
    /// It was taken, and with it every letter that it tells.
    Sent(ParcelKey),
    /// The other side refused it, or could not be reached.
    Failed {
        /// The parcel that did not leave.
        key: ParcelKey,
        /// The other side's words, or ours.
        error: String,
        /// When to try again; `None`: never.
        not_before: Option<Timestamp>,
    },
    /// Another letter to the same recipient tells what it had to tell.
    ToldBy {
        /// The parcel that need not leave any more.
        key: ParcelKey,
        /// The letter's id.
        letter: String,
    },
}

/// How far a letter has come, over all its recipients.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LetterProgress {
    /// Parcels that wait, or are told by one that waits.
    pub waiting: u32,
    /// Parcels that were taken.
    pub sent: u32,
    /// Parcels given up.
    pub failed: u32,
}

impl Store {
    /// Parcels that wait, the oldest first.
    pub(crate) fn waiting_parcels(&self) -> Result<Vec<WaitingParcel>, StoreError> {
        let read = || {
            let mut statement = self.connection.prepare_cached(
                "SELECT outbox.letter, channel, recipient, message_id, bytes, tries, outbox.at, letter.kind,
                        coalesce(letter.subject, ''), coalesce(letter.text, '')
                   FROM outbox LEFT JOIN letter ON letter.id = outbox.letter
                  WHERE state = 'waiting' ORDER BY outbox.at, outbox.rowid",
            )?;
            let rows = statement.query_map([], waiting)?;
            let mut parcels = rows.filter_map(Result::transpose).collect::<rusqlite::Result<Vec<_>>>()?;
            let mut tells = self.connection.prepare_cached(
                "SELECT letter FROM outbox
                  WHERE told_by = ?1 AND channel = ?2 AND recipient = ?3 AND state = 'told-by-another'",
            )?;
            for waiting in &mut parcels {
                let key = &waiting.parcel.key;
                let rows = tells.query_map(params![key.letter, key.carrier.word(), key.recipient], |row| row.get(0))?;
                waiting.tells = rows.collect::<rusqlite::Result<_>>()?;
            }
            Ok(parcels)
        };
        read().map_err(self.explain())
    }

    /// How far a letter has come. All zero for a letter without parcels.
    pub(crate) fn letter_progress(&self, letter: &str) -> Result<LetterProgress, StoreError> {
        self.connection
            .prepare_cached(
                "SELECT count(*) FILTER (WHERE state IN ('waiting', 'told-by-another')),
                        count(*) FILTER (WHERE state = 'sent'),
                        count(*) FILTER (WHERE state = 'failed') FROM outbox WHERE letter = ?1",
            )
            .and_then(|mut count| {
                count.query_row(params![letter], |row| {
                    Ok(LetterProgress { waiting: row.get(0)?, sent: row.get(1)?, failed: row.get(2)? })
                })
            })
            .map_err(self.explain())
    }
}

/// `None`: a carrier that this build does not know.
fn waiting(row: &Row<'_>) -> rusqlite::Result<Option<WaitingParcel>> {
    let Some(carrier) = CarrierName::from_word(row.get_ref(1)?.as_str()?) else { return Ok(None) };
    let word: Option<String> = row.get(7)?;
    let kind = word.as_deref().and_then(LetterKind::from_word).unwrap_or(LetterKind::Alarm);
    Ok(Some(WaitingParcel {
        parcel: Parcel {
            key: ParcelKey { letter: row.get(0)?, carrier, recipient: row.get(2)? },
            message_id: row.get(3)?,
            bytes: row.get(4)?,
        },
        tries: row.get(5)?,
        decided_at: Timestamp::from_timestamp_millis(row.get(6)?).unwrap_or_default(),
        kind,
        subject: row.get(8)?,
        text: row.get(9)?,
        tells: BTreeSet::new(),
    }))
}

/// Puts a letter and its parcels in, unless the letter was there before.
pub(super) fn put(connection: &Connection, letter: &Letter, parcels: &[Parcel]) -> rusqlite::Result<()> {
    let at = letter.at.timestamp_millis();
    let new = connection
        .prepare_cached(
            "INSERT OR IGNORE INTO letter (id, at, kind, answers, subject, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![letter.id, at, letter.kind.word(), letter.answers, letter.subject, letter.text])?;
    if new == 0 {
        return Ok(());
    }
    parcels.iter().try_for_each(|parcel| put_parcel(connection, parcel, letter.at))
}

/// Puts one parcel in, unless it was there before.
pub(super) fn put_parcel(connection: &Connection, parcel: &Parcel, at: Timestamp) -> rusqlite::Result<()> {
    let (key, at) = (&parcel.key, at.timestamp_millis());
    connection
        .prepare_cached(
            "INSERT OR IGNORE INTO outbox (letter, channel, recipient, message_id, bytes, at, state, tries, not_before)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'waiting', 0, ?6)",
        )?
        .execute(params![key.letter, key.carrier.word(), key.recipient, parcel.message_id, parcel.bytes, at])?;
    Ok(())
}

/// Writes down what became of a try. A parcel that was sent stays sent.
pub(super) fn note(connection: &Connection, outcome: &StoredOutcome, at: Timestamp) -> rusqlite::Result<()> {
    let at = at.timestamp_millis();
    match outcome {
        StoredOutcome::Sent(key) => {
            connection
                .prepare_cached(
                    "UPDATE outbox SET state = 'sent', tries = tries + 1, last_error = NULL, done_at = ?4
                      WHERE letter = ?1 AND channel = ?2 AND recipient = ?3 AND state <> 'sent'",
                )?
                .execute(params![key.letter, key.carrier.word(), key.recipient, at])?;
            over_with_it(connection, key, "sent", at)
        }
        StoredOutcome::Failed { key, error, not_before: Some(next) } => {
            connection
                .prepare_cached(
                    "UPDATE outbox SET tries = tries + 1, last_error = ?4, not_before = ?5
                      WHERE letter = ?1 AND channel = ?2 AND recipient = ?3 AND state = 'waiting'",
                )?
                .execute(params![key.letter, key.carrier.word(), key.recipient, error, next.timestamp_millis()])?;
            Ok(())
        }
        StoredOutcome::Failed { key, error, not_before: None } => {
            connection
                .prepare_cached(
                    "UPDATE outbox SET state = 'failed', tries = tries + 1, last_error = ?4, done_at = ?5
                      WHERE letter = ?1 AND channel = ?2 AND recipient = ?3 AND state = 'waiting'",
                )?
                .execute(params![key.letter, key.carrier.word(), key.recipient, error, at])?;
            over_with_it(connection, key, "failed", at)
        }
        StoredOutcome::ToldBy { key, letter } => {
            connection
                .prepare_cached(
                    "UPDATE outbox SET state = 'told-by-another', told_by = ?4, done_at = ?5
                      WHERE letter = ?1 AND channel = ?2 AND recipient = ?3 AND state = 'waiting'",
                )?
                .execute(params![key.letter, key.carrier.word(), key.recipient, letter, at])?;
            // An answer to that letter answers what this one told of.
            connection
                .prepare_cached(
                    "INSERT OR IGNORE INTO letter_alarm (letter, kind, subject)
                     SELECT ?2, kind, subject FROM letter_alarm WHERE letter = ?1",
                )?
                .execute(params![key.letter, letter])?;
            Ok(())
        }
    }
}

/// What a parcel tells of others ends as it does.
fn over_with_it(connection: &Connection, key: &ParcelKey, state: &str, at: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "UPDATE outbox SET state = ?4, done_at = ?5
              WHERE told_by = ?1 AND channel = ?2 AND recipient = ?3 AND state = 'told-by-another'",
        )?
        .execute(params![key.letter, key.carrier.word(), key.recipient, state, at])?;
    Ok(())
}
