//! Looking up what is written beside the readings: the journal, alarms, letters,
//! messages that were no readings, and how much there is of each.

use super::encode::{decode_notes, from_word};
use super::error::{StoreError, explain};
use super::outbox::LetterProgress;
use super::packed_hours;
use super::read::Reader;
use super::stretches;
use crate::engine::alarm::{AlarmKey, AlarmKind, AlarmState, Harm, Priority};
use crate::engine::event::JournalLine;
use crate::engine::event::LetterKind;
use crate::units::Timestamp;
use rusqlite::{Row, params};

/// One change of one alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmLine {
    /// When it changed.
    pub at: Timestamp,
    /// The alarm that changed: its kind and what it is about.
    pub key: AlarmKey,
    /// When the condition began to hold.
    pub since: Timestamp,
    /// The state it is in since then.
    pub state: AlarmState,
    /// The state before.
    pub before: AlarmState,
    /// When somebody must hear of it.
    pub priority: Priority,
    /// When harm begins.
    pub harm: Option<Harm>,
    /// The round that followed.
    pub next_round: Timestamp,
    /// Times it came and went in this episode.
    pub times: u32,
    /// The sentence people were shown.
    pub text: String,
    /// Who answered it.
    pub by: Option<String>,
}

/// A letter and how far it has come.
#[derive(Clone, Debug, PartialEq)]
pub struct LetterLine {
    /// The engine's id of the letter.
    pub id: String,
    /// When it was decided.
    pub at: Timestamp,
    /// A call, the letter of an evening or a round, the end of a conversation, or the digest.
    pub kind: LetterKind,
    /// The letter whose thread it belongs to.
    pub answers: Option<String>,
    /// The subject.
    pub subject: String,
    /// The plain text.
    pub text: String,
    /// Its mails. All zero when they have left the store after 90 days.
    pub(crate) progress: LetterProgress,
}

/// A message that was no reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GarbledLine {
    /// When it came.
    pub at: Timestamp,
    /// On which topic.
    pub topic: String,
    /// Why it was refused, as a stable word.
    pub reason: String,
    /// Bytes of the whole payload.
    pub size: u64,
    /// Its first 256 bytes.
    pub payload: Vec<u8>,
}

/// How much there is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Single readings.
    pub readings: u64,
    /// When the first of them was heard.
    pub(super) first_reading: Option<Timestamp>,
    /// When the last of them was heard.
    pub(super) last_reading: Option<Timestamp>,
    /// Minute means.
    pub minutes: u64,
    /// Journal entries.
    pub journal: u64,
    /// Letters.
    pub letters: u64,
    /// Mails that wait.
    waiting_mails: u64,
    /// Mails that were given up.
    failed_mails: u64,
    /// Inbox items the daemon has not taken yet.
    pub inbox: u64,
}

const ALARM_COLUMNS: &str =
    "at, kind, subject, since, state, before, priority, harm_from, harm_early, next_round, times, text, by, harm_late";

impl Reader {
    /// Journal entries learnt of with `since <= at`, by number; also refused and struck ones.
    pub fn journal(&self, since: Timestamp) -> Result<Vec<JournalLine>, StoreError> {
        self.list(
            "SELECT number, at, body, refused, struck_by, note FROM journal WHERE at >= ?1 ORDER BY number",
            since.timestamp_millis(),
            journal_line,
        )
    }

    /// The newest journal entries with a number below `before`, newest first, at most `limit`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub(crate) fn journal_before(&self, before: i64, limit: u32) -> Result<Vec<JournalLine>, StoreError> {
        let sql = format!(
            "SELECT number, at, body, refused, struck_by, note FROM journal WHERE number < ?1 ORDER BY number DESC LIMIT {limit}"
        );
        self.list(&sql, before, journal_line)
    }

    /// Changes of alarms with `since <= at`, in their order.
    pub fn alarm_changes(&self, since: Timestamp) -> Result<Vec<AlarmLine>, StoreError> {
        let sql = format!("SELECT {ALARM_COLUMNS} FROM alarm WHERE at >= ?1 ORDER BY at, seq, nth");
        self.list(&sql, since.timestamp_millis(), alarm_line)
    }

    /// How every alarm stands that ever changed, by kind and subject.
    pub fn alarms(&self) -> Result<Vec<AlarmLine>, StoreError> {
        let sql = format!(
            "SELECT {ALARM_COLUMNS} FROM alarm AS this WHERE ?1 IS NOT NULL AND NOT EXISTS (
                 SELECT 1 FROM alarm AS later WHERE later.kind = this.kind AND later.subject = this.subject
                    AND (later.at, later.seq, later.nth) > (this.at, this.seq, this.nth))
              ORDER BY kind, subject"
        );
        self.list(&sql, 0, alarm_line)
    }

    /// Letters decided with `since <= at`, in their order.
    pub fn letters(&self, since: Timestamp) -> Result<Vec<LetterLine>, StoreError> {
        self.list(
            "SELECT letter.id, letter.at, letter.kind, answers, subject, text,
                    count(outbox.letter) FILTER (WHERE state IN ('waiting', 'told-by-another')),
                    count(outbox.letter) FILTER (WHERE state = 'sent'),
                    count(outbox.letter) FILTER (WHERE state = 'failed')
               FROM letter LEFT JOIN outbox ON outbox.letter = letter.id
              WHERE letter.at >= ?1 GROUP BY letter.id ORDER BY letter.at, letter.rowid",
            since.timestamp_millis(),
            |row| {
                let Some(kind) = LetterKind::from_word(row.get_ref(2)?.as_str()?) else { return Ok(None) };
                Ok(Some(LetterLine {
                    id: row.get(0)?,
                    at: time(row, 1)?,
                    kind,
                    answers: row.get(3)?,
                    subject: row.get(4)?,
                    text: row.get(5)?,
                    progress: LetterProgress { waiting: row.get(6)?, sent: row.get(7)?, failed: row.get(8)? },
                }))
            },
        )
    }

    /// The newest messages that were no readings, newest first, at most `limit`.
    pub fn garbled(&self, limit: u32) -> Result<Vec<GarbledLine>, StoreError> {
        self.list(
            "SELECT at, topic, reason, size, payload FROM garbled ORDER BY at DESC, seq DESC LIMIT ?1",
            i64::from(limit),
            |row| {
                Ok(Some(GarbledLine {
                    at: time(row, 0)?,
                    topic: row.get(1)?,
                    reason: row.get(2)?,
                    size: row.get::<_, i64>(3)?.unsigned_abs(),
                    payload: row.get(4)?,
                }))
            },
        )
    }

    /// When the first and the last reading were heard; `None`: none is kept.
    pub(crate) fn readings_span(&self) -> Result<Option<(Timestamp, Timestamp)>, StoreError> {
        let read = || -> rusqlite::Result<Option<(i64, i64)>> {
            let first = stretches::first_heard(&self.connection)?;
            Ok(first.zip(stretches::last_heard_before(&self.connection, i64::MAX)?))
        };
        let ends = read().map_err(explain(&self.path))?;
        Ok(ends.and_then(|(first, last)| {
            Timestamp::from_timestamp_millis(first).zip(Timestamp::from_timestamp_millis(last))
        }))
    }

    /// How much there is. Counts every row, which takes a while in a large store.
    pub fn counts(&self) -> Result<Counts, StoreError> {
        let read = || -> rusqlite::Result<Counts> {
            let count =
                |sql: &str| self.connection.query_row(sql, [], |row| row.get::<_, i64>(0).map(i64::unsigned_abs));
            let time = |at: Option<i64>| at.and_then(Timestamp::from_timestamp_millis);
            Ok(Counts {
                readings: count("SELECT count(*) FROM reading")? + stretches::count(&self.connection)?,
                first_reading: time(stretches::first_heard(&self.connection)?),
                last_reading: time(stretches::last_heard_before(&self.connection, i64::MAX)?),
                minutes: packed_hours::count(&self.connection)?,
                journal: count("SELECT count(*) FROM journal")?,
                letters: count("SELECT count(*) FROM letter")?,
                waiting_mails: count(
                    "SELECT count(*) FROM outbox WHERE channel = 'mail' AND state IN ('waiting', 'told-by-another')",
                )?,
                failed_mails: count("SELECT count(*) FROM outbox WHERE channel = 'mail' AND state = 'failed'")?,
                inbox: count("SELECT count(*) FROM inbox WHERE taken_at IS NULL")?,
            })
        };
        read().map_err(explain(&self.path))
    }

    /// All rows of a query with one number in it; rows nobody can read are left out.
    fn list<T>(
        &self,
        sql: &str,
        number: i64,
        mut line: impl FnMut(&Row<'_>) -> rusqlite::Result<Option<T>>,
    ) -> Result<Vec<T>, StoreError> {
        let mut read = || -> rusqlite::Result<Vec<T>> {
            let mut statement = self.connection.prepare_cached(sql)?;
            let mut rows = statement.query(params![number])?;
            let mut lines = Vec::new();
            while let Some(row) = rows.next()? {
                lines.extend(line(row)?);
            }
            Ok(lines)
        };
        read().map_err(explain(&self.path))
    }
}

fn alarm_line(row: &Row<'_>) -> rusqlite::Result<Option<AlarmLine>> {
    let known = || -> Option<(AlarmKind, AlarmState, AlarmState, Priority)> {
        let word = |column: usize| row.get::<_, String>(column).ok();
        Some((AlarmKind::from_word(&word(1)?)?, from_word(&word(4)?)?, from_word(&word(5)?)?, from_word(&word(6)?)?))
    };
    let Some((kind, state, before, priority)) = known() else { return Ok(None) };
    let instant = |column: usize| -> rusqlite::Result<Option<Timestamp>> {
        Ok(row.get::<_, Option<i64>>(column)?.and_then(Timestamp::from_timestamp_millis))
    };
    // A line of an earlier version has no late figure.
    let harm = match (instant(7)?, instant(8)?, instant(13)?) {
        (Some(likely), Some(early), late) => Some(Harm { early, likely, late: late.unwrap_or(likely) }),
        _ => None,
    };
    Ok(Some(AlarmLine {
        at: time(row, 0)?,
        key: AlarmKey { kind, subject: row.get(2)? },
        since: time(row, 3)?,
        state,
        before,
        priority,
        harm,
        next_round: time(row, 9)?,
        times: row.get(10)?,
        text: row.get(11)?,
        by: row.get(12)?,
    }))
}

/// A column in milliseconds; one beyond the calendar reads as 1970.
fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    Ok(Timestamp::from_timestamp_millis(row.get(column)?).unwrap_or_default())
}

fn journal_line(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<JournalLine>> {
    let Ok(entry) = serde_json::from_str(row.get_ref(2)?.as_str()?) else { return Ok(None) };
    Ok(Some(JournalLine {
        number: row.get(0)?,
        at: time(row, 1)?,
        entry,
        refused: row.get(3)?,
        struck_by: row.get(4)?,
        note: decode_notes(row.get_ref(5)?.as_str()?),
    }))
}
