//! Putting times right. Within one run the times of events are right relative to each
//! other; as a whole they are as wrong as the clock was. When the clock is set right, what
//! was written under the wrong one is moved to where it belongs: its order stays, and no
//! row is lost. How long is kept counts hours that were lived through, not the calendar.

use super::error::StoreError;
use super::rollup::{self, MINUTE_MS};
use super::state_file::StateFile;
use super::{Store, packed_hours, packing, stretches};
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::{Connection, Transaction, TransactionBehavior, params};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 86_400_000;

/// How the record was put right.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PutRight {
    /// What was written since then went back as one piece: before it nobody had written
    /// for at least as long, so the clock went wrong there.
    Moved {
        /// Everything from this moment on went back as one piece; the moment is as it was written.
        since: Timestamp,
    },
    /// No such hole was found in the last day: the last hours were drawn together, so that
    /// order and beginning are right and times in between are off by at most the step.
    DrawnTogether {
        /// The moment, as it was written, from which times were drawn together.
        since: Timestamp,
    },
    /// The record has no hole for a step so large: the clock must be wrong, not the record.
    Left,
}

/// What the id of a digest ends with that came before its time.
pub const MOVED: &str = "-moved";

/// How a time before the step becomes one after it, in milliseconds.
#[derive(Clone, Copy)]
enum Move {
    By(i64),
    Half,
}

impl Store {
    /// The clock stands at `now`, and the record reaches beyond it: puts the record right.
    pub(crate) fn put_right(&mut self, now: Timestamp) -> Result<PutRight, StoreError> {
        // Whatever was seen was seen at other times.
        StateFile::beside(&self.path).remove();
        let explain = super::error::explain(&self.path);
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&explain)?;
        let done = put_right(&transaction, now.timestamp_millis()).map_err(&explain)?;
        transaction.commit().map_err(&explain)?;
        Ok(done)
    }

    /// Moves everything from `since` on, forward, by whole minutes: a run that began before
    /// its clock was set.
    pub(crate) fn move_forward(&mut self, since: Timestamp, by: TimeDelta) -> Result<(), StoreError> {
        StateFile::beside(&self.path).remove();
        let explain = super::error::explain(&self.path);
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&explain)?;
        let by = by.num_milliseconds().div_euclid(MINUTE_MS) * MINUTE_MS;
        shift(&transaction, since.timestamp_millis(), Move::By(by)).map_err(&explain)?;
        transaction.commit().map_err(&explain)
    }

    /// The latest time that retention may take for the present: `now`, unless fewer hours
    /// than `keep` have readings. A clock that runs away makes nothing old, and a clock
    /// that stood in 1970 did not make its readings old either.
    pub(crate) fn lived_now(&self, now: Timestamp, keep: TimeDelta) -> Result<Timestamp, StoreError> {
        let cut = lived_cut(&self.connection, keep.num_hours()).map_err(self.explain())?;
        let lived = cut.and_then(Timestamp::from_timestamp_millis).and_then(|cut| cut.checked_add_signed(keep));
        Ok(lived.unwrap_or(Timestamp::UNIX_EPOCH).min(now))
    }

    /// The latest time up to which minutes may be called finished: `now`, but not beyond
    /// the minute of the newest reading.
    pub(crate) fn heard_until(&self, now: Timestamp) -> Result<Timestamp, StoreError> {
        let newest = stretches::last_heard_before(&self.connection, i64::MAX).map_err(self.explain())?;
        let heard = newest.and_then(|newest| Timestamp::from_timestamp_millis(newest + MINUTE_MS));
        Ok(heard.map_or(now, |heard| heard.min(now)))
    }
}

/// The beginning of the oldest hour to keep, where at least `hours` hours have readings.
fn lived_cut(connection: &Connection, hours: i64) -> rusqlite::Result<Option<i64>> {
    let mut hour = i64::MAX;
    for _ in 0..=hours {
        let Some(newest) = stretches::last_hour_before(connection, hour, HOUR_MS)? else { return Ok(None) };
        hour = newest;
    }
    Ok(Some(hour))
}

fn put_right(transaction: &Transaction<'_>, now: i64) -> rusqlite::Result<PutRight> {
    let Some(last) = newest_before(transaction, i64::MAX)? else { return Ok(PutRight::Left) };
    // Whole minutes: the engine looks at whole minutes, and lives through them again.
    let by = (last - now + MINUTE_MS - 1).div_euclid(MINUTE_MS).max(0) * MINUTE_MS;
    let time = |at| Timestamp::from_timestamp_millis(at).unwrap_or_default();
    if let Some(since) = hole(transaction, last, by)? {
        shift(transaction, since, Move::By(-by))?;
        return Ok(PutRight::Moved { since: time(since) });
    }
    if by > DAY_MS {
        return Ok(PutRight::Left);
    }
    // A minute more, because beginning on a whole minute leaves the end half a minute later.
    let since = (last - 2 * (by + MINUTE_MS)).div_euclid(MINUTE_MS) * MINUTE_MS;
    shift(transaction, since, Move::Half)?;
    Ok(PutRight::DrawnTogether { since: time(since) })
}

/// Where the clock went ahead by `by`: the latest start or step before which nothing was
/// written for that long. A hole of hours is only looked for within a day, where it is
/// likelier to be the clock's doing than a board that was off.
fn hole(transaction: &Transaction<'_>, last: i64, by: i64) -> rusqlite::Result<Option<i64>> {
    let mut starts = transaction.prepare(
        "SELECT at FROM event WHERE kind IN ('started', 'clock-stepped') ORDER BY at DESC, seq DESC LIMIT 1000",
    )?;
    let starts = starts.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<i64>>>()?;
    for start in starts {
        if by < DAY_MS && last - start > DAY_MS {
            return Ok(None);
        }
        let is_hole = match newest_before(transaction, start)? {
            Some(before) => start - before >= by,
            // The first of all: a record longer than the step was not begun under it.
            None => last - start < by.max(DAY_MS),
        };
        if is_hole {
            return Ok(Some(start));
        }
    }
    Ok(None)
}

fn newest_before(transaction: &Transaction<'_>, at: i64) -> rusqlite::Result<Option<i64>> {
    let other: Option<i64> = transaction.query_row(
        "SELECT max(at) FROM (SELECT max(at) AS at FROM event WHERE at < ?1 UNION ALL
                              SELECT max(at) FROM alarm WHERE at < ?1)",
        params![at],
        |row| row.get(0),
    )?;
    Ok(other.max(stretches::last_heard_before(transaction, at)?))
}

/// Every column that holds a time of our own, by table; those that order a table come apart.
pub(super) const ORDERED: [&str; 4] = ["reading", "event", "alarm", "garbled"];
pub(super) const TIMES: [(&str, &str); 19] = [
    ("alarm", "since"),
    ("alarm", "harm_from"),
    ("alarm", "harm_early"),
    ("alarm", "harm_late"),
    ("alarm", "next_round"),
    ("journal", "at"),
    ("letter", "at"),
    ("outbox", "at"),
    ("outbox", "not_before"),
    ("outbox", "done_at"),
    ("delivery", "at"),
    ("inbox", "at"),
    ("inbox", "taken_at"),
    ("mailbox", "at"),
    ("phone", "paired_at"),
    ("phone", "seen_at"),
    ("pairing", "until"),
    ("reply", "at"),
    ("reply", "answered_at"),
];

fn shift(transaction: &Transaction<'_>, since: i64, how: Move) -> rusqlite::Result<()> {
    let moved = |column: &str| match how {
        Move::By(by) => format!("({column} + ({by}))"),
        Move::Half => format!("({since} + ({column} - {since}) / 2)"),
    };
    packing::reconsider(transaction, first_moved(since, how))?;
    match how {
        // Whole stretches move as they are.
        Move::By(_) => packing::take_out(transaction, since, since)?,
        Move::Half => packing::take_out(transaction, since, i64::MAX)?,
    }
    // Keeps in order what falls into one millisecond when two hours become one.
    let beside: i64 = transaction.query_row(
        "SELECT 1 + max((SELECT coalesce(max(seq), 0) FROM reading WHERE at >= ?1),
                        (SELECT coalesce(max(seq), 0) FROM event WHERE at >= ?1),
                        (SELECT coalesce(max(seq), 0) FROM alarm WHERE at >= ?1))",
        params![since],
        |row| row.get(0),
    )?;
    let seq = match how {
        Move::By(_) => "seq".to_owned(),
        Move::Half => format!("(seq + {beside} * ((at - {since}) % 2))"),
    };
    rename_letters(transaction, since, how)?;
    for table in ORDERED {
        // Over negative times, so that no row meets one that is still to be moved.
        transaction.execute_batch(&format!(
            "UPDATE {table} SET at = -{}, seq = {} WHERE at >= {since}; UPDATE {table} SET at = -at WHERE at < 0;",
            moved("at"),
            seq,
        ))?;
    }
    if let Move::By(_) = how {
        transaction.execute_batch(&format!(
            "UPDATE packed SET stretch = -{} WHERE stretch >= {since}; UPDATE packed SET stretch = -stretch WHERE stretch < 0;",
            moved("stretch"),
        ))?;
    }
    transaction.execute_batch(&format!("UPDATE journal SET seq = {seq} WHERE at >= {since}"))?;
    for (table, column) in TIMES {
        transaction
            .execute_batch(&format!("UPDATE {table} SET {column} = {} WHERE {column} >= {since}", moved(column)))?;
    }
    // Minute means from here on are made again from the readings.
    let minute = first_moved(since, how).div_euclid(MINUTE_MS);
    if rollup::mark(transaction)?.is_some_and(|mark| mark > minute * MINUTE_MS) {
        packed_hours::forget_from(transaction, minute)?;
        transaction.execute(
            "UPDATE meta SET value = ?1 WHERE key = 'rolled_up_to'",
            params![(minute * MINUTE_MS).to_string()],
        )?;
    }
    Ok(())
}

/// From when on times are others than before.
fn first_moved(since: i64, how: Move) -> i64 {
    match how {
        Move::By(by) => since.min(since + by),
        Move::Half => since,
    }
}

/// Letter ids carry their second ("alarm-1772560800-...") so that a night lived through
/// again writes none twice; they move along.
fn rename_letters(transaction: &Transaction<'_>, since: i64, how: Move) -> rusqlite::Result<()> {
    let mut letters = transaction.prepare("SELECT id FROM letter WHERE at >= ?1")?;
    let ids = letters.query_map(params![since], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?;
    let renamed: Vec<(String, String)> = ids.into_iter().filter_map(|id| Some((moved_id(&id, how)?, id))).collect();
    // All old names first make room for the new ones.
    for (_, old) in &renamed {
        rename(transaction, old, &format!("moving-{old}"))?;
    }
    for (new, old) in &renamed {
        rename(transaction, &format!("moving-{old}"), new)?;
    }
    Ok(())
}

fn rename(transaction: &Transaction<'_>, old: &str, new: &str) -> rusqlite::Result<()> {
    transaction.execute("UPDATE OR IGNORE letter SET id = ?2 WHERE id = ?1", params![old, new])?;
    for (table, column) in
        [("outbox", "letter"), ("outbox", "told_by"), ("letter_alarm", "letter"), ("reply", "letter")]
    {
        let follow = format!("UPDATE OR IGNORE {table} SET {column} = ?2 WHERE {column} = ?1");
        transaction.execute(&follow, params![old, new])?;
    }
    transaction.execute("UPDATE letter SET answers = ?2 WHERE answers = ?1", params![old, new])?;
    Ok(())
}

fn moved_id(id: &str, how: Move) -> Option<String> {
    let mut parts = id.splitn(3, '-');
    let (kind, second) = (parts.next()?, parts.next()?);
    let rest = parts.next().map(|rest| format!("-{rest}")).unwrap_or_default();
    if kind == "digest" {
        // A digest that came before its day, or before its hour, must not stand for the one
        // that is still to come.
        let came_early = match how {
            Move::By(by) => !(0..DAY_MS).contains(&by),
            Move::Half => true,
        };
        return came_early.then(|| format!("{id}{MOVED}"));
    }
    let Move::By(by) = how else { return None };
    let second: i64 = second.parse().ok()?;
    Some(format!("{kind}-{}{rest}", second + by / 1000))
}
