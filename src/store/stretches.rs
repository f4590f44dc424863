//! Finding and reading packed readings, a stretch at a time, and together with those that
//! stand in table `reading`, in one order. Stretches do not overlap, but for what another hand
//! may have done: such are read as one.

use super::packed::{PACK_COLUMNS, Pack, READING_COLUMNS, STRETCH_ENDS_WITHIN, StoredReading};
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;

/// Milliseconds a minute.
pub(super) const MINUTE_MS: i64 = 60_000;

/// Readings that were packed and can be read no more, of a stretch or of all that was asked for.
pub(super) type UnreadableReadings = u64;

/// Where packed readings stand, without having read them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct PackedStretch {
    /// When it begins: no reading of it was heard before.
    pub(super) begins: i64,
    /// The key of the last one that overlaps it.
    last: i64,
    /// When its last reading was heard.
    pub(super) ends: i64,
}

/// The first stretch with readings heard at `from` or later, that begins before `until`.
pub(super) fn next(connection: &Connection, from: i64, until: i64) -> rusqlite::Result<Option<PackedStretch>> {
    // The one that began before may still go on.
    if let Some(begun) = key_at_or_before(connection, from)? {
        let found = of_key(connection, begun)?;
        if found.ends >= from && begun < until {
            return Ok(Some(found));
        }
    }
    let mut later = connection.prepare_cached("SELECT min(stretch) FROM packed WHERE stretch > ?1 AND stretch < ?2")?;
    let begins: Option<i64> = later.query_row(params![from, until], |row| row.get(0))?;
    begins.map(|begins| of_key(connection, begins)).transpose()
}

/// When the last stretch begins that begins at `at` or before.
pub(super) fn key_at_or_before(connection: &Connection, at: i64) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached("SELECT max(stretch) FROM packed WHERE stretch <= ?1")?
        .query_row(params![at], |row| row.get(0))
}

fn of_key(connection: &Connection, begins: i64) -> rusqlite::Result<PackedStretch> {
    let ends = |key: i64| -> rusqlite::Result<i64> {
        let lasts: Option<i64> = connection
            .prepare_cached("SELECT max(lasts) FROM packed WHERE stretch = ?1")?
            .query_row(params![key], |row| row.get(0))?;
        Ok(key.saturating_add(lasts.unwrap_or(0).clamp(0, STRETCH_ENDS_WITHIN - 1)))
    };
    let mut found = PackedStretch { begins, last: begins, ends: ends(begins)? };
    let mut following = connection.prepare_cached("SELECT min(stretch) FROM packed WHERE stretch > ?1")?;
    while let Some(next) = following.query_row(params![found.last], |row| row.get::<_, Option<i64>>(0))?
        && next <= found.ends
    {
        found.last = next;
        found.ends = found.ends.max(ends(next)?);
    }
    Ok(found)
}

/// Its readings, in their order.
pub(super) fn readings(
    connection: &Connection,
    stretch: PackedStretch,
) -> rusqlite::Result<(Vec<StoredReading>, UnreadableReadings)> {
    let sql = format!("SELECT {PACK_COLUMNS} FROM packed WHERE stretch >= ?1 AND stretch <= ?2");
    let mut packs = connection.prepare_cached(&sql)?;
    let mut rows = packs.query(params![stretch.begins, stretch.last])?;
    let (mut found, mut lost) = (Vec::new(), 0);
    while let Some(row) = rows.next()? {
        match Pack::of(row)?.as_ref().and_then(Pack::unpack) {
            Some(readings) => found.extend(readings),
            None => lost += told(row)?,
        }
    }
    found.sort_unstable_by_key(StoredReading::position);
    Ok((found, lost))
}

/// Says that a row cannot be read, and gives how many readings it had.
fn told(row: &rusqlite::Row<'_>) -> rusqlite::Result<UnreadableReadings> {
    let number = |column| row.get::<_, i64>(column).unwrap_or(0);
    let (stretch, series, readings) = (number(0), number(1), number(3));
    tracing::warn!(
        stretch,
        series,
        readings,
        "a row of table packed is damaged: its readings cannot be read, all others can"
    );
    Ok(readings.clamp(0, i64::from(u16::MAX)).unsigned_abs())
}

/// Readings of one series heard with `from <= at < until`, in their order.
pub(super) fn readings_of(
    connection: &Connection,
    series: i64,
    (from, until): (i64, i64),
    mut each: impl FnMut(StoredReading),
) -> rusqlite::Result<UnreadableReadings> {
    let sql = format!(
        "SELECT {PACK_COLUMNS} FROM packed WHERE stretch >= ?1 AND stretch < ?2 AND series = ?3 ORDER BY stretch, series, part"
    );
    let begins = key_at_or_before(connection, from)?.unwrap_or(from);
    let mut packs = connection.prepare_cached(&sql)?;
    let mut rows = packs.query(params![begins, until, series])?;
    let mut lost = 0;
    while let Some(row) = rows.next()? {
        match Pack::of(row)?.as_ref().and_then(Pack::unpack) {
            Some(readings) => readings.into_iter().filter(|it| (from..until).contains(&it.at)).for_each(&mut each),
            None => lost += told(row)?,
        }
    }
    Ok(lost)
}

/// Every reading heard with `from <= at < until`, packed or not, in one order, a stretch at a
/// time. `each` says whether to go on.
pub(super) fn every_reading(
    connection: &Connection,
    (mut from, until): (i64, i64),
    mut each: impl FnMut(StoredReading) -> rusqlite::Result<bool>,
) -> rusqlite::Result<UnreadableReadings> {
    let mut lost = 0;
    let fresh = format!("SELECT {READING_COLUMNS} FROM reading WHERE at >= ?1 AND at < ?2 ORDER BY at, seq");
    let mut fresh = connection.prepare_cached(&fresh)?;
    while from < until {
        let stretch = next(connection, from, until)?;
        let (packed, gone) = stretch.map_or(Ok((Vec::new(), 0)), |stretch| readings(connection, stretch))?;
        lost += gone;
        let end = stretch.map_or(until, |stretch| stretch.ends.saturating_add(1).min(until));
        let mut packed = packed.into_iter().filter(|it| (from..end).contains(&it.at)).peekable();
        let mut rows = fresh.query(params![from, end])?;
        while let Some(row) = rows.next()? {
            let reading = StoredReading::of(row)?;
            while let Some(before) = packed.next_if(|it| it.position() < reading.position()) {
                if !each(before)? {
                    return Ok(lost);
                }
            }
            if !each(reading)? {
                return Ok(lost);
            }
        }
        for reading in packed {
            if !each(reading)? {
                return Ok(lost);
            }
        }
        from = end;
    }
    Ok(lost)
}

/// Believed readings of a series in a minute, in thousandths.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct MinuteSum {
    pub(super) n: i64,
    pub(super) low: i64,
    pub(super) sum: i64,
    pub(super) high: i64,
}

impl MinuteSum {
    /// Of one reading.
    pub(super) fn of(believed: i64) -> MinuteSum {
        MinuteSum { n: 1, low: believed, sum: believed, high: believed }
    }

    pub(super) fn add(&mut self, other: MinuteSum) {
        self.n += other.n;
        self.low = self.low.min(other.low);
        self.sum = self.sum.saturating_add(other.sum);
        self.high = self.high.max(other.high);
    }
}

/// The mean of a series in a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct SeriesMinute {
    pub(super) minute: i64,
    pub(super) series: i64,
    pub(super) sum: MinuteSum,
}

/// Believed readings heard with `from <= at < until`, packed or not, by the minute they were
/// measured in, of the series that are `wanted`; a minute may come twice.
pub(super) fn minutes_heard(
    connection: &Connection,
    (from, until): (i64, i64),
    wanted: impl Fn(i64) -> bool,
) -> rusqlite::Result<Vec<SeriesMinute>> {
    let mut found = Vec::new();
    let mut fresh = connection.prepare_cached(
        "SELECT series, (at - believed_lag) / 60000 AS minute, count(*), min(believed), sum(believed), max(believed)
           FROM reading WHERE at >= ?1 AND at < ?2 AND believed IS NOT NULL GROUP BY 1, 2",
    )?;
    let mut rows = fresh.query(params![from, until])?;
    while let Some(row) = rows.next()? {
        let sum = MinuteSum { n: row.get(2)?, low: row.get(3)?, sum: row.get(4)?, high: row.get(5)? };
        found.push(SeriesMinute { series: row.get(0)?, minute: row.get(1)?, sum });
    }
    found.retain(|it| wanted(it.series));
    packed_minutes_heard(connection, (from, until), wanted, &mut found)?;
    Ok(found)
}

/// Nearly always none: what is packed is in table `minute`, unless that was lost or is to be made
/// anew.
fn packed_minutes_heard(
    connection: &Connection,
    (mut from, until): (i64, i64),
    wanted: impl Fn(i64) -> bool,
    found: &mut Vec<SeriesMinute>,
) -> rusqlite::Result<()> {
    while let Some(stretch) = next(connection, from, until)? {
        let mut minutes: BTreeMap<(i64, i64), MinuteSum> = BTreeMap::new();
        let (readings, _) = readings(connection, stretch)?;
        for it in readings.into_iter().filter(|it| (from..until).contains(&it.at) && wanted(it.series)) {
            let Some(believed) = it.believed else { continue };
            let one = MinuteSum::of(believed);
            let minute = it.at.saturating_sub(it.believed_lag) / MINUTE_MS;
            minutes.entry((minute, it.series)).and_modify(|sum| sum.add(one)).or_insert(one);
        }
        found.extend(minutes.into_iter().map(|((minute, series), sum)| SeriesMinute { minute, series, sum }));
        from = stretch.ends.saturating_add(1);
        if from >= until {
            break;
        }
    }
    Ok(())
}

/// In order of time and series, each minute of a series once.
pub(super) fn merged(mut minutes: Vec<SeriesMinute>) -> Vec<SeriesMinute> {
    minutes.sort_by_key(|it| (it.minute, it.series));
    minutes.dedup_by(|next, one| {
        let is_same = (next.minute, next.series) == (one.minute, one.series);
        if is_same {
            one.sum.add(next.sum);
        }
        is_same
    });
    minutes
}

/// When the first reading was heard, packed or not.
pub(super) fn first_heard(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    let packed = match connection.query_row("SELECT min(stretch) FROM packed", [], |row| row.get(0))? {
        // A stretch begins with its first reading.
        Some(begins) => readings(connection, of_key(connection, begins)?)?.0.first().map(|it| it.at).or(Some(begins)),
        None => None,
    };
    let fresh: Option<i64> = connection.query_row("SELECT min(at) FROM reading", [], |row| row.get(0))?;
    Ok(packed.into_iter().chain(fresh).min())
}

/// When the last reading before `at` was heard, packed or not.
pub(super) fn last_heard_before(connection: &Connection, at: i64) -> rusqlite::Result<Option<i64>> {
    let fresh: Option<i64> = connection
        .prepare_cached("SELECT max(at) FROM reading WHERE at < ?1")?
        .query_row(params![at], |row| row.get(0))?;
    let Some(begins) = key_at_or_before(connection, at.saturating_sub(1))? else { return Ok(fresh) };
    let ends = of_key(connection, begins)?.ends;
    // Only where one goes on beyond is it read.
    let packed = match fresh {
        Some(fresh) if fresh >= ends.min(at.saturating_sub(1)) => None,
        _ if ends < at => Some(ends),
        _ => last_before(connection, at)?.map(|reading| reading.at),
    };
    Ok(packed.into_iter().chain(fresh).max())
}

/// The last packed reading before `at`.
pub(super) fn last_before(connection: &Connection, at: i64) -> rusqlite::Result<Option<StoredReading>> {
    let mut before = at;
    while let Some(begins) = key_at_or_before(connection, before.saturating_sub(1))? {
        let (found, _) = readings(connection, of_key(connection, begins)?)?;
        if let Some(reading) = found.into_iter().rfind(|reading| reading.at < at) {
            return Ok(Some(reading));
        }
        // Nothing of it can be read.
        before = begins;
    }
    Ok(None)
}

/// The beginning of an hour in which something was heard, and after which nothing was until
/// `before`: by where stretches begin, so that counting hours reads none of them.
pub(super) fn last_hour_before(connection: &Connection, before: i64, hour_ms: i64) -> rusqlite::Result<Option<i64>> {
    let fresh: Option<i64> = connection
        .prepare_cached("SELECT at FROM reading WHERE at < ?1 ORDER BY at DESC LIMIT 1")?
        .query_row(params![before], |row| row.get(0))
        .optional()?;
    let packed = key_at_or_before(connection, before.saturating_sub(1))?;
    Ok(packed.into_iter().chain(fresh).max().map(|heard| heard.div_euclid(hour_ms) * hour_ms))
}

/// Whether rows can be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Readable {
    Yes,
    No,
}

/// Deletes the rows of a stretch that can be read, or those that cannot.
pub(super) fn remove(connection: &Connection, stretch: PackedStretch, which: Readable) -> rusqlite::Result<()> {
    let sql = format!("SELECT {PACK_COLUMNS}, id FROM packed WHERE stretch >= ?1 AND stretch <= ?2");
    let mut packs = connection.prepare_cached(&sql)?;
    let mut rows = packs.query(params![stretch.begins, stretch.last])?;
    let mut found: Vec<i64> = Vec::new();
    while let Some(row) = rows.next()? {
        let readable = Pack::of(row)?.as_ref().and_then(Pack::unpack).is_some();
        if readable == (which == Readable::Yes) {
            found.push(row.get(14)?);
        }
    }
    let mut delete = connection.prepare_cached("DELETE FROM packed WHERE id = ?1")?;
    for id in found {
        delete.execute(params![id])?;
    }
    Ok(())
}

/// Readings heard before this are packed, or stay where they are for good.
pub(super) fn packed_up_to(connection: &Connection) -> rusqlite::Result<i64> {
    let mark: Option<i64> = connection
        .prepare_cached("SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'packed_up_to'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    Ok(mark.unwrap_or(i64::MIN))
}

/// How many readings are packed.
pub(super) fn count(connection: &Connection) -> rusqlite::Result<u64> {
    connection
        .query_row("SELECT coalesce(sum(readings), 0) FROM packed", [], |row| row.get::<_, i64>(0))
        .map(i64::unsigned_abs)
}
