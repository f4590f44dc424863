//! Moving minute means from table `minute` into table `minute_packed` a day or two after the hour
//! was over, a series in a transaction; back where something late belongs into one; and reading
//! both as one.

use super::packed_minutes::{HOUR_MINUTES, PACKED_HOUR_COLUMNS, PackedHour, pack_hour};
use super::stretches::{MinuteSum, SeriesMinute};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use std::collections::BTreeMap;

/// Hours packed at once: some 150 KiB of rows.
const HOURS_AT_ONCE: i64 = 10 * 24;

/// Packs the minute means of hours before hour `end`, of the first series of which they reach back
/// for `waiting` hours at least, and gives how many.
///
/// A series at a time and not an hour, and not before much waits: rows stand by series, so that
/// whole pages become free, which are not written.
pub(super) fn pack_a_series(connection: &mut Connection, end: i64, waiting: i64) -> rusqlite::Result<u64> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for series in numbers_of_series(&transaction)? {
        let mut from = i64::MIN;
        while let Some(hour) =
            first_hour(&transaction, series, from)?.filter(|hour| hour.saturating_add(waiting) <= end && *hour < end)
        {
            let behind = end.min(hour.saturating_add(HOURS_AT_ONCE));
            let packed = pack_hours(&transaction, series, (hour, behind))?;
            if packed > 0 {
                transaction.commit()?;
                return Ok(packed);
            }
            // None of these can be packed: they stay.
            from = first_minute(behind);
        }
    }
    Ok(0)
}

/// Whatever number stands for an hour in a file.
fn first_minute(hour: i64) -> i64 {
    hour.saturating_mul(HOUR_MINUTES)
}

/// The first hour with rows of a series from a minute on.
fn first_hour(connection: &Connection, series: i64, from: i64) -> rusqlite::Result<Option<i64>> {
    let minute: Option<i64> = connection
        .prepare_cached("SELECT min(minute) FROM minute WHERE series = ?1 AND minute >= ?2")?
        .query_row(params![series, from], |row| row.get(0))?;
    Ok(minute.map(|minute| minute.div_euclid(HOUR_MINUTES)))
}

fn pack_hours(connection: &Connection, series: i64, (from, until): (i64, i64)) -> rusqlite::Result<u64> {
    let mut rows: BTreeMap<i64, Vec<(i64, MinuteSum)>> = BTreeMap::new();
    fresh_minutes_of(connection, series, (first_minute(from), first_minute(until)), |minute, sum| {
        rows.entry(minute.div_euclid(HOUR_MINUTES)).or_default().push((minute, sum));
    })?;
    let all = rows.len();
    let mut hours = Vec::new();
    for (hour, minutes) in &rows {
        // What came late for a packed hour has taken it out before, unless that row is damaged.
        if !is_packed(connection, series, *hour)? {
            hours.extend(pack_hour(series, *hour, minutes));
        }
    }
    if hours.len() == all {
        remove_rows(connection, series, (from, until))?;
    } else {
        for it in &hours {
            remove_rows(connection, series, (it.hour, it.hour + 1))?;
        }
    }
    for it in &hours {
        insert(connection, it)?;
    }
    Ok(hours.iter().map(|it| it.minutes.unsigned_abs()).sum())
}

/// The numbers of all series, whether they are still measured or not.
fn numbers_of_series(connection: &Connection) -> rusqlite::Result<Vec<i64>> {
    connection.prepare_cached("SELECT id FROM series")?.query_map([], |row| row.get(0))?.collect()
}

fn is_packed(connection: &Connection, series: i64, hour: i64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached("SELECT 1 FROM minute_packed WHERE series = ?1 AND hour = ?2")?
        .exists(params![series, hour])
}

fn remove_rows(connection: &Connection, series: i64, (from, until): (i64, i64)) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM minute WHERE series = ?1 AND minute >= ?2 AND minute < ?3")?
        .execute(params![series, first_minute(from), first_minute(until)])?;
    Ok(())
}

fn insert(connection: &Connection, it: &PackedHour) -> rusqlite::Result<()> {
    let sql =
        format!("INSERT INTO minute_packed ({PACKED_HOUR_COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)");
    connection.prepare_cached(&sql)?.execute(params![
        it.series, it.hour, it.minutes, it.first, it.grain, it.places, it.n, it.low, it.spread, it.rest
    ])?;
    Ok(())
}

/// Adds readings to the mean of their minute. An hour that is packed is taken out for it, and
/// packed again later.
pub(super) fn add_to_minute(connection: &Connection, it: SeriesMinute) -> rusqlite::Result<()> {
    take_out(connection, it.series, it.minute.div_euclid(HOUR_MINUTES))?;
    connection
        .prepare_cached(
            "INSERT INTO minute (series, minute, n, low, sum, high) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT (series, minute) DO UPDATE SET n = n + excluded.n, low = min(low, excluded.low),
                 sum = sum + excluded.sum, high = max(high, excluded.high)",
        )?
        .execute(params![it.series, it.minute, it.sum.n, it.sum.low, it.sum.sum, it.sum.high])?;
    Ok(())
}

/// Puts an hour of a series back into rows, where it is packed. A row that cannot be read stays.
fn take_out(connection: &Connection, series: i64, hour: i64) -> rusqlite::Result<()> {
    let mut found = connection
        .prepare_cached(&format!("SELECT {PACKED_HOUR_COLUMNS} FROM minute_packed WHERE series = ?1 AND hour = ?2"))?;
    let found = found.query_row(params![series, hour], PackedHour::of).optional()?.flatten();
    let Some(minutes) = found.as_ref().and_then(PackedHour::unpack) else { return Ok(()) };
    let mut put = connection.prepare_cached(
        "INSERT OR IGNORE INTO minute (series, minute, n, low, sum, high) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for (minute, it) in minutes {
        put.execute(params![series, minute, it.n, it.low, it.sum, it.high])?;
    }
    connection
        .prepare_cached("DELETE FROM minute_packed WHERE series = ?1 AND hour = ?2")?
        .execute(params![series, hour])?;
    Ok(())
}

/// Removes the means of every minute from `minute` on.
pub(super) fn forget_from(connection: &Connection, minute: i64) -> rusqlite::Result<()> {
    let hour = minute.div_euclid(HOUR_MINUTES);
    for series in numbers_of_series(connection)? {
        take_out(connection, series, hour)?;
    }
    connection.execute("DELETE FROM minute_packed WHERE hour >= ?1", params![hour])?;
    connection.execute("DELETE FROM minute WHERE minute >= ?1", params![minute])?;
    Ok(())
}

/// The means of a series with `from <= minute < until`, those that are packed first.
pub(super) fn minutes_of(
    connection: &Connection,
    series: i64,
    (from, until): (i64, i64),
    mut each: impl FnMut(i64, MinuteSum),
) -> rusqlite::Result<()> {
    let sql = format!(
        "SELECT {PACKED_HOUR_COLUMNS} FROM minute_packed WHERE series = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour"
    );
    let mut packed = connection.prepare_cached(&sql)?;
    let hours = (from.div_euclid(HOUR_MINUTES), until.div_euclid(HOUR_MINUTES).saturating_add(1));
    let mut rows = packed.query(params![series, hours.0, hours.1])?;
    while let Some(row) = rows.next()? {
        match PackedHour::of(row)?.as_ref().and_then(PackedHour::unpack) {
            Some(minutes) => {
                for (minute, it) in minutes.into_iter().filter(|(minute, _)| (from..until).contains(minute)) {
                    each(minute, it);
                }
            }
            None => tell_damage(row),
        }
    }
    fresh_minutes_of(connection, series, (from, until), each)
}

/// Those of them that stand as rows.
fn fresh_minutes_of(
    connection: &Connection,
    series: i64,
    (from, until): (i64, i64),
    mut each: impl FnMut(i64, MinuteSum),
) -> rusqlite::Result<()> {
    let mut fresh = connection.prepare_cached(
        "SELECT minute, n, low, sum, high FROM minute WHERE series = ?1 AND minute >= ?2 AND minute < ?3 ORDER BY minute",
    )?;
    let mut rows = fresh.query(params![series, from, until])?;
    while let Some(row) = rows.next()? {
        each(row.get(0)?, MinuteSum { n: row.get(1)?, low: row.get(2)?, sum: row.get(3)?, high: row.get(4)? });
    }
    Ok(())
}

fn tell_damage(row: &rusqlite::Row<'_>) {
    let number = |column| row.get::<_, i64>(column).unwrap_or(0);
    let (series, hour) = (number(0), number(1));
    tracing::warn!(
        series,
        hour,
        "a row of table minute_packed is damaged: what this sensor said in that hour, minute by minute, cannot be read; all else can"
    );
}

/// The first and the last minute of a series that may have a mean.
pub(super) fn ends(connection: &Connection, series: i64) -> rusqlite::Result<Option<(i64, i64)>> {
    let ends = |sql: &str| -> rusqlite::Result<Option<(i64, i64)>> {
        connection.prepare_cached(sql)?.query_row(params![series], |row| {
            let (first, last): (Option<i64>, Option<i64>) = (row.get(0)?, row.get(1)?);
            Ok(first.zip(last))
        })
    };
    let rows = ends(
        "SELECT (SELECT min(minute) FROM minute WHERE series = ?1), (SELECT max(minute) FROM minute WHERE series = ?1)",
    )?;
    let hours = ends(
        "SELECT (SELECT min(hour) FROM minute_packed WHERE series = ?1), (SELECT max(hour) FROM minute_packed WHERE series = ?1)",
    )?;
    let hours = hours.map(|(first, last)| (first_minute(first), first_minute(last).saturating_add(HOUR_MINUTES - 1)));
    Ok(rows.into_iter().chain(hours).reduce(|one, other| (one.0.min(other.0), one.1.max(other.1))))
}

/// The means with `from <= minute < until` of all series that are known, by series.
pub(super) fn all_minutes(connection: &Connection, span: (i64, i64)) -> rusqlite::Result<Vec<SeriesMinute>> {
    let mut all = Vec::new();
    for series in numbers_of_series(connection)? {
        minutes_of(connection, series, span, |minute, sum| all.push(SeriesMinute { minute, series, sum }))?;
    }
    Ok(all)
}

/// How many minute means there are.
pub(super) fn count(connection: &Connection) -> rusqlite::Result<u64> {
    connection
        .query_row(
            "SELECT (SELECT count(*) FROM minute) + (SELECT coalesce(sum(minutes), 0) FROM minute_packed)",
            [],
            |row| row.get::<_, i64>(0),
        )
        .map(i64::unsigned_abs)
}

/// Of what was carried over from a damaged file: takes away packed hours that cannot be read, and
/// rows that stand packed as well.
pub(super) fn settle(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    {
        let mut packed = transaction.prepare(&format!("SELECT {PACKED_HOUR_COLUMNS} FROM minute_packed"))?;
        let mut rows = packed.query([])?;
        let mut lost: Vec<(i64, i64)> = Vec::new();
        let mut twice = transaction.prepare("DELETE FROM minute WHERE series = ?1 AND minute >= ?2 AND minute < ?3")?;
        while let Some(row) = rows.next()? {
            match PackedHour::of(row)? {
                Some(it) if it.unpack().is_some() => {
                    twice.execute(params![
                        it.series,
                        first_minute(it.hour),
                        first_minute(it.hour.saturating_add(1))
                    ])?;
                }
                _ => lost.push((row.get(0)?, row.get(1)?)),
            }
        }
        let mut delete = transaction.prepare("DELETE FROM minute_packed WHERE series = ?1 AND hour = ?2")?;
        for (series, hour) in lost {
            delete.execute(params![series, hour])?;
        }
    }
    transaction.commit()
}
