//! Minute means, and what leaves the store after a time. A mark in `meta` says
//! up to when readings are in table `minute`; it moves in the same transaction,
//! so that a crash counts none twice and none less. Only readings before the
//! mark may leave.

use super::Store;
use super::error::{StoreError, explain};
use super::packed_hours;
pub(super) use super::stretches::MINUTE_MS;
use super::stretches::{self, MinuteSum, SeriesMinute};
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

/// The span of readings that one transaction rolls up: 30 series at 10 s are 65,000 rows.
const ROLLED_AT_ONCE_MS: i64 = 6 * 3_600_000;

/// Rows one transaction of retention deletes: 9 ms on a plain disk (measured).
const FORGOTTEN_AT_ONCE: i64 = 20_000;
/// Rows of table `packed` that go with them; each holds some 60 readings.
const PACKS_FORGOTTEN_AT_ONCE: i64 = 400;

/// The bytes of a mail are kept this long after it was sent or given up; its
/// words stay in table `letter` (own default: 90 days).
const KEEP_MAIL_BYTES: TimeDelta = TimeDelta::days(90);

/// The share of free pages from which giving them back to the disk is worth the
/// writing: one in four (measured).
const FREE_PAGES_WORTH_GIVING_BACK: i64 = 4;

/// Pages given back at once: a megabyte or less.
const PAGES_AT_ONCE: u32 = 200;

impl Store {
    /// Adds every believed reading of finished minutes to the minute means. Once an
    /// hour is right: more often writes more pages. Returns the readings added.
    pub fn roll_up_minutes(&mut self, now: Timestamp) -> Result<u64, StoreError> {
        let until = now.timestamp_millis().div_euclid(MINUTE_MS) * MINUTE_MS;
        let explain = explain(&self.path);
        let mut added = 0;
        while let Some(step) = roll_up_once(&mut self.connection, until).map_err(&explain)? {
            added += step;
        }
        Ok(added)
    }

    /// Removes what is older than `keep`, a bounded number of rows a call, and
    /// returns how many went. Call it again until it returns 0, letting commits pass between.
    ///
    /// Leaves: readings (once they are in the minute means; packed ones with their hour) and events other than
    /// journal entries and answers to alarms. Mails go 90 days after they were done
    /// with, answered inbox items with the readings. Minute means, journal, alarms
    /// and letters stay for good.
    pub fn forget(&mut self, now: Timestamp, keep: TimeDelta) -> Result<u64, StoreError> {
        let cut = now.checked_sub_signed(keep).unwrap_or(Timestamp::UNIX_EPOCH).timestamp_millis();
        let mail_cut = (now - KEEP_MAIL_BYTES).timestamp_millis();
        forget_once(&mut self.connection, cut, mail_cut).map_err(explain(&self.path))
    }

    /// Gives up to a megabyte of free pages back to the disk, if a good part of the
    /// file is free. Returns whether there is more to give back.
    pub(crate) fn shrink(&mut self) -> Result<bool, StoreError> {
        let step = || {
            let count =
                |name: &str| self.connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0));
            if count("freelist_count")? * FREE_PAGES_WORTH_GIVING_BACK < count("page_count")? {
                return Ok(false);
            }
            // Has to be stepped to its end: `execute` would give back one page only.
            let mut statement = self.connection.prepare(&format!("PRAGMA incremental_vacuum({PAGES_AT_ONCE})"))?;
            let mut rows = statement.query([])?;
            while rows.next()?.is_some() {}
            Ok(true)
        };
        step().map_err(self.explain())
    }
}

/// Counts a reading that is believed only now, if its minute has been rolled up already.
pub(super) fn add_late(
    connection: &Connection,
    series: i64,
    at: i64,
    measured: i64,
    believed: i64,
) -> rusqlite::Result<()> {
    if mark(connection)?.is_none_or(|mark| at >= mark) {
        return Ok(());
    }
    let sum = MinuteSum::of(believed);
    packed_hours::add_to_minute(connection, SeriesMinute { minute: measured.div_euclid(MINUTE_MS), series, sum })
}

/// Readings learnt of before this are in table `minute`.
pub(super) fn mark(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached("SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'rolled_up_to'")?
        .query_row([], |row| row.get(0))
        .optional()
}

/// One transaction; `None` when `until` was reached before.
fn roll_up_once(connection: &mut Connection, until: i64) -> rusqlite::Result<Option<u64>> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let from = match mark(&transaction)? {
        Some(mark) => mark,
        None => stretches::first_heard(&transaction)?.unwrap_or(until),
    };
    // Over a gap without readings in one step.
    let fresh: Option<i64> = transaction
        .query_row("SELECT at FROM reading WHERE at >= ?1 ORDER BY at LIMIT 1", params![from], |row| row.get(0))
        .optional()?;
    // Packed readings are in the means already, unless these are to be made anew.
    let packed = stretches::next(&transaction, from, until)?.map(|stretch| stretch.begins.max(from));
    let next = fresh.into_iter().chain(packed).min();
    let step = (next.unwrap_or(until).max(from) + ROLLED_AT_ONCE_MS).min(until);
    if step <= from {
        return Ok(None);
    }
    let mut added = 0;
    for it in stretches::minutes_heard(&transaction, (from, step), |_| true)? {
        added += it.sum.n.unsigned_abs();
        packed_hours::add_to_minute(&transaction, it)?;
    }
    transaction
        .execute("INSERT OR REPLACE INTO meta (key, value) VALUES ('rolled_up_to', ?1)", params![step.to_string()])?;
    transaction.commit()?;
    Ok(Some(added))
}

fn forget_once(connection: &mut Connection, cut: i64, mail_cut: i64) -> rusqlite::Result<u64> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let readings_cut = cut.min(mark(&transaction)?.unwrap_or(i64::MIN));
    let first_to_stay: Option<(i64, u32)> = transaction
        .query_row(
            "SELECT at, seq FROM reading ORDER BY at, seq LIMIT 1 OFFSET ?1",
            params![FORGOTTEN_AT_ONCE],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()?;
    let (at, seq) = first_to_stay.unwrap_or((i64::MAX, 0));
    let mut gone = transaction
        .execute("DELETE FROM reading WHERE at < ?1 AND (at, seq) < (?2, ?3)", params![readings_cut, at, seq])?;
    // Each goes as a whole, once its last reading is too old.
    gone += transaction.execute(
        "DELETE FROM packed WHERE id IN (
             SELECT id FROM packed WHERE stretch < ?1 AND stretch + lasts < ?1 ORDER BY stretch LIMIT ?2)",
        params![readings_cut, PACKS_FORGOTTEN_AT_ONCE],
    )?;
    gone += transaction.execute(
        "DELETE FROM event WHERE (at, seq) IN (
             SELECT at, seq FROM event WHERE at < ?1 AND kind NOT IN ('journal', 'command') ORDER BY at, seq LIMIT ?2)",
        params![cut, FORGOTTEN_AT_ONCE],
    )?;
    gone += transaction.execute("DELETE FROM inbox WHERE taken_at < ?1", params![cut])?;
    gone += transaction.execute(
        "DELETE FROM outbox WHERE state NOT IN ('waiting', 'told-by-another') AND done_at < ?1",
        params![mail_cut],
    )?;
    transaction.commit()?;
    Ok(gone as u64)
}
