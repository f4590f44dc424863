//! Whole tables row by row, for copying out: every reading that was heard, every minute
//! mean, as the file was at one moment although the daemon goes on writing. What a
//! copy looks like is decided in `report::export`.

use super::encode::{is_retained, unpack_judgement};
use super::error::{StoreError, explain};
use super::read::Reader;
use super::rollup::{self, MINUTE_MS};
use super::series;
use super::stretches::{self, MinuteSum};
use crate::engine::event::Doubt;
use crate::reading::Flag;
use crate::units::Timestamp;
use rusqlite::params;
use std::collections::BTreeMap;

/// The file as it was at one moment. While it lives, the write-ahead log cannot be
/// reused and grows with what the daemon writes: keep it for seconds, not for hours.
pub struct ReadMoment<'a> {
    reader: &'a Reader,
    /// Held open: everything read meanwhile belongs to this moment.
    _transaction: rusqlite::Transaction<'a>,
}

/// One reading as it was heard and believed.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    /// When we learnt of it.
    pub(crate) heard_at: Timestamp,
    /// When it was measured, as we believe.
    pub measured_at: Timestamp,
    /// The sensor's id; it may have left the config.
    pub sensor: String,
    /// The quantity's word.
    pub quantity: String,
    /// As heard.
    pub raw: f64,
    /// Unit of `raw`, as SenML (RFC 8428) writes it.
    pub(crate) raw_unit: String,
    /// Celsius, per cent, or litres for a reservoir; `None`: not believed.
    pub believed: Option<f64>,
    /// The flag it got.
    pub flag: Flag,
    /// Why it was doubted.
    pub(crate) doubt: Option<Doubt>,
    /// The broker handed out an old message.
    pub retained: bool,
}

/// The believed readings of one series in one minute.
#[derive(Clone, Debug, PartialEq)]
pub struct MinuteRow {
    /// Where the minute begins.
    pub at: Timestamp,
    /// The quantity's word.
    pub quantity: String,
    /// Lowest: Celsius, per cent, or litres for a reservoir.
    pub low: f64,
    /// Mean.
    pub mean: f64,
    /// Highest.
    pub high: f64,
    /// Readings in it, at least 1.
    pub n: u64,
}

impl Reader {
    /// Holds the file as it is now. Everything this reader looks up until the moment is
    /// dropped belongs to it; what needs a moment of its own (`history`, `events`) cannot
    /// be asked meanwhile.
    pub(crate) fn moment(&self) -> Result<ReadMoment<'_>, StoreError> {
        let hold = || -> rusqlite::Result<_> {
            let transaction = self.connection.unchecked_transaction()?;
            // SQLite takes its view with the first read.
            transaction.query_row("SELECT count(*) FROM series", [], |row| row.get::<_, i64>(0))?;
            Ok(transaction)
        };
        Ok(ReadMoment { reader: self, _transaction: hold().map_err(explain(&self.path))? })
    }
}

impl ReadMoment<'_> {
    /// Every sensor that was ever heard or configured, by id.
    pub fn sensors(&self) -> Result<Vec<String>, StoreError> {
        let read = || -> rusqlite::Result<Vec<String>> {
            let mut sensors =
                self.reader.connection.prepare_cached("SELECT DISTINCT sensor FROM series ORDER BY sensor")?;
            sensors.query_map([], |row| row.get(0))?.collect()
        };
        read().map_err(explain(&self.reader.path))
    }

    /// Readings heard with `since <= at < until`, in the order they were heard. `each` says
    /// whether to go on.
    pub fn readings(
        &self,
        since: Timestamp,
        until: Timestamp,
        mut each: impl FnMut(ReadingRow) -> bool,
    ) -> Result<(), StoreError> {
        let mut read = || -> rusqlite::Result<()> {
            let words = series::in_words(&self.reader.connection)?;
            let span = (since.timestamp_millis(), until.timestamp_millis());
            stretches::every_reading(&self.reader.connection, span, |heard| {
                let Some(words) = words.get(&heard.series) else { return Ok(true) };
                let (flag, doubt) = unpack_judgement(heard.judged);
                Ok(each(ReadingRow {
                    heard_at: instant(heard.at),
                    measured_at: instant(heard.at.saturating_sub(heard.believed_lag)),
                    sensor: words.sensor.clone(),
                    quantity: words.quantity.clone(),
                    raw: from_thousandths(heard.raw),
                    raw_unit: words.unit.clone(),
                    believed: heard.believed.map(from_thousandths),
                    flag,
                    doubt,
                    retained: is_retained(heard.judged),
                }))
            })?;
            Ok(())
        };
        read().map_err(explain(&self.reader.path))
    }

    /// One sensor's minutes with `since <= at < until`, ascending, its quantities side by
    /// side; also those of readings that are in no minute mean yet. `each` says whether to go on.
    pub fn minutes(
        &self,
        sensor: &str,
        since: Timestamp,
        until: Timestamp,
        mut each: impl FnMut(MinuteRow) -> bool,
    ) -> Result<(), StoreError> {
        let first = since.timestamp_millis().div_euclid(MINUTE_MS);
        let end = until.timestamp_millis().div_euclid(MINUTE_MS);
        let mut read = || -> rusqlite::Result<()> {
            let connection = &self.reader.connection;
            let rolled_up_to = rollup::mark(connection)?.unwrap_or(i64::MIN);
            let mut minutes = connection.prepare_cached(
                "SELECT minute, quantity, sum(n), min(low), sum(sum), max(high) FROM (
                     SELECT series, minute, n, low, sum, high FROM minute
                      WHERE series IN (SELECT id FROM series WHERE sensor = ?1) AND minute >= ?2 AND minute < ?3
                     UNION ALL
                     SELECT series, (at - believed_lag) / 60000, 1, believed, believed, believed FROM reading
                      WHERE at >= ?4 AND believed IS NOT NULL AND series IN (SELECT id FROM series WHERE sensor = ?1)
                        AND (at - believed_lag) / 60000 >= ?2 AND (at - believed_lag) / 60000 < ?3)
                   JOIN series ON series.id = series
                  GROUP BY minute, quantity ORDER BY minute, quantity",
            )?;
            let words = series::in_words(connection)?;
            let of_sensor = |series| words.get(&series).filter(|words| words.sensor == sensor);
            let packed = stretches::packed_minutes(connection, (rolled_up_to, i64::MAX), |it| of_sensor(it).is_some())?;
            let packed = packed.into_iter().filter(|((minute, _), _)| (first..end).contains(minute));
            let packed =
                packed.filter_map(|((minute, series), sum)| Some(((minute, of_sensor(series)?.quantity.clone()), sum)));
            let mut packed = packed.collect::<BTreeMap<_, _>>().into_iter().peekable();
            let mut hand = |((minute, quantity), sum): ((i64, String), MinuteSum)| {
                each(MinuteRow {
                    at: instant(minute.saturating_mul(MINUTE_MS)),
                    quantity,
                    low: from_thousandths(sum.low),
                    mean: sum.sum as f64 / sum.n.max(1) as f64 / 1000.0,
                    high: from_thousandths(sum.high),
                    n: sum.n.unsigned_abs(),
                })
            };
            let mut rows = minutes.query(params![sensor, first, end, rolled_up_to])?;
            while let Some(row) = rows.next()? {
                let key: (i64, String) = (row.get(0)?, row.get(1)?);
                let mut sum = MinuteSum { n: row.get(2)?, low: row.get(3)?, sum: row.get(4)?, high: row.get(5)? };
                while let Some(before) = packed.next_if(|(other, _)| *other < key) {
                    if !hand(before) {
                        return Ok(());
                    }
                }
                if let Some((_, other)) = packed.next_if(|(other, _)| *other == key) {
                    sum.add(other);
                }
                if !hand((key, sum)) {
                    return Ok(());
                }
            }
            for rest in packed {
                if !hand(rest) {
                    break;
                }
            }
            Ok(())
        };
        read().map_err(explain(&self.reader.path))
    }
}

/// Milliseconds since 1970; what lies beyond the calendar reads as 1970.
fn instant(milliseconds: i64) -> Timestamp {
    Timestamp::from_timestamp_millis(milliseconds).unwrap_or_default()
}

fn from_thousandths(value: i64) -> f64 {
    value as f64 / 1000.0
}
