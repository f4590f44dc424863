//! Moving readings from table `reading` into table `packed` a day after they were heard, a
//! stretch in a transaction, and back where a late word may still change them. Nothing is
//! taken from the one table that does not come out of the other bit for bit.

use super::Store;
use super::error::{StoreError, explain};
use super::packed::{Pack, READING_COLUMNS, STRETCH_ENDS_WITHIN, StoredReading, pack};
use super::packed_hours;
use super::rollup;
use super::stretches::{self, PackedStretch, Readable};
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;

/// A stretch ends with the hour, as the hours that retention counts do.
const HOUR_MS: i64 = STRETCH_ENDS_WITHIN;

/// Readings of one stretch: bounds what a reader holds at once, about a megabyte.
const STRETCH_HOLDS: usize = 16_384;

/// What one step of packing came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    /// So many readings are packed now.
    Packed(u64),
    /// Here nothing was to be packed, but further on something may be.
    Passed,
    /// All that is old enough was looked at.
    Done,
}

impl Store {
    /// Packs readings heard before `until` that are in the minute means, one stretch of at most
    /// an hour a call, and returns how many. Call it again until it returns 0, letting commits
    /// pass between.
    pub fn pack_readings(&mut self, until: Timestamp) -> Result<u64, StoreError> {
        let explain = explain(&self.path);
        loop {
            let step = pack_once(&mut self.connection, until.timestamp_millis()).map_err(&explain)?;
            self.packed_up_to = stretches::packed_up_to(&self.connection).map_err(&explain)?;
            match step {
                Step::Packed(readings) => return Ok(readings),
                Step::Passed => {}
                Step::Done => return Ok(0),
            }
        }
    }

    /// Packs the minute means of hours that were over before `until`, of one series of which they
    /// reach back for `waiting` at least, and returns how many. Call it again until it returns 0,
    /// letting commits pass between.
    pub fn pack_minutes(&mut self, until: Timestamp, waiting: TimeDelta) -> Result<u64, StoreError> {
        let end = until.timestamp_millis().div_euclid(HOUR_MS);
        packed_hours::pack_a_series(&mut self.connection, end, waiting.num_hours()).map_err(explain(&self.path))
    }
}

fn put_mark(connection: &Connection, mark: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES ('packed_up_to', ?1)")?
        .execute(params![mark.to_string()])?;
    Ok(())
}

/// Looks at everything from here on again.
pub(super) fn reconsider(connection: &Connection, from: i64) -> rusqlite::Result<()> {
    if stretches::packed_up_to(connection)? > from { put_mark(connection, from) } else { Ok(()) }
}

fn pack_once(connection: &mut Connection, until: i64) -> rusqlite::Result<Step> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // What is in no minute mean yet is looked for in table reading.
    let until = until.min(rollup::mark(&transaction)?.unwrap_or(i64::MIN));
    let oldest: Option<i64> = transaction
        .prepare_cached("SELECT at FROM reading WHERE at >= ?1 AND at < ?2 ORDER BY at LIMIT 1")?
        .query_row(params![stretches::packed_up_to(&transaction)?, until], |row| row.get(0))
        .optional()?;
    let Some(from) = oldest else { return Ok(Step::Done) };
    let following = stretches::next(&transaction, from, i64::MAX)?;
    if let Some(stretch) = following.filter(|stretch| stretch.begins <= from) {
        // Left over when this stretch was packed.
        put_mark(&transaction, stretch.ends.saturating_add(1))?;
        transaction.commit()?;
        return Ok(Step::Passed);
    }
    let hour_ends = from.div_euclid(HOUR_MS).saturating_add(1).saturating_mul(HOUR_MS);
    let end = hour_ends.min(until).min(following.map_or(i64::MAX, |stretch| stretch.begins));
    let (readings, end) = stretch_from(&transaction, from, end)?;
    let packed = move_into(&transaction, from, end, &readings)?;
    put_mark(&transaction, end)?;
    transaction.commit()?;
    Ok(if packed == 0 { Step::Passed } else { Step::Packed(packed) })
}

/// The readings from `from` on, to `end` or to where there are enough, and where that is: never
/// within a millisecond.
fn stretch_from(connection: &Connection, from: i64, end: i64) -> rusqlite::Result<(Vec<StoredReading>, i64)> {
    let read = |end: i64, most: usize| -> rusqlite::Result<Vec<StoredReading>> {
        let sql = format!("SELECT {READING_COLUMNS} FROM reading WHERE at >= ?1 AND at < ?2 ORDER BY at, seq LIMIT ?3");
        let mut statement = connection.prepare_cached(&sql)?;
        statement.query_map(params![from, end, most as i64], StoredReading::of)?.collect()
    };
    let mut readings = read(end, STRETCH_HOLDS + 1)?;
    let Some(beyond) = readings.get(STRETCH_HOLDS).map(|reading| reading.at) else { return Ok((readings, end)) };
    if beyond == from {
        let end = from + 1;
        return Ok((read(end, u32::MAX as usize)?, end));
    }
    readings.retain(|reading| reading.at < beyond);
    Ok((readings, beyond))
}

/// Packs what can be packed of all that stands from `from` up to `end`.
fn move_into(transaction: &Transaction<'_>, from: i64, end: i64, readings: &[StoredReading]) -> rusqlite::Result<u64> {
    let mut of_series: BTreeMap<i64, Vec<StoredReading>> = BTreeMap::new();
    for reading in readings.iter().filter(|reading| reading.is_packable()) {
        of_series.entry(reading.series).or_default().push(*reading);
    }
    let mut packs = Vec::new();
    of_series.retain(|series, readings| {
        let made = pack(from, readings);
        let unpacked: Option<Vec<Vec<StoredReading>>> = made.iter().map(Pack::unpack).collect();
        let is_exact = unpacked.is_some_and(|unpacked| unpacked.concat() == *readings);
        if is_exact {
            packs.extend(made);
        } else {
            tracing::warn!(series, from, "readings could not be packed and stay as they are");
        }
        is_exact
    });
    // Deleted first: what is packed goes onto the pages that become free.
    let moved: usize = of_series.values().map(Vec::len).sum();
    if moved == readings.len() {
        transaction.execute("DELETE FROM reading WHERE at >= ?1 AND at < ?2", params![from, end])?;
    } else {
        let mut delete = transaction.prepare_cached("DELETE FROM reading WHERE at = ?1 AND seq = ?2")?;
        for reading in of_series.values().flatten() {
            delete.execute(params![reading.at, reading.seq])?;
        }
    }
    for pack in &packs {
        insert(transaction, pack)?;
    }
    Ok(moved as u64)
}

fn insert(connection: &Connection, pack: &Pack) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO packed (stretch, series, part, readings, lasts, step, grain, seq, belief, judged, claimed_lag,
                                 believed_lag, times, raw)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
        )?
        .execute(params![
            pack.stretch,
            pack.series,
            pack.part,
            pack.readings,
            pack.lasts,
            pack.step,
            pack.grain,
            pack.seq,
            pack.belief,
            pack.judged,
            pack.claimed_lag,
            pack.believed_lag,
            pack.times,
            pack.raw
        ])?;
    Ok(())
}

/// Takes every stretch with readings heard with `from <= at <= to` out again, so that they stand
/// in table `reading`. A row that cannot be read stays.
pub(super) fn take_out(connection: &Connection, from: i64, to: i64) -> rusqlite::Result<()> {
    let mut from = from;
    while let Some(stretch) = stretches::next(connection, from, to.saturating_add(1))? {
        take_out_stretch(connection, stretch)?;
        let Some(behind) = stretch.ends.checked_add(1) else { return Ok(()) };
        from = behind;
    }
    Ok(())
}

fn take_out_stretch(connection: &Connection, stretch: PackedStretch) -> rusqlite::Result<()> {
    let (readings, _) = stretches::readings(connection, stretch)?;
    let sql = format!("INSERT OR IGNORE INTO reading ({READING_COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)");
    let mut put = connection.prepare_cached(&sql)?;
    for it in &readings {
        put.execute(params![
            it.at,
            it.seq,
            it.series,
            it.raw,
            it.believed,
            it.judged,
            it.claimed_lag,
            it.believed_lag
        ])?;
    }
    stretches::remove(connection, stretch, Readable::Yes)?;
    reconsider(connection, stretch.begins)
}
