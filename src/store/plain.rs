//! Whole tables row by row, for copying out: every reading that was heard, every minute
//! mean, as the file was at one moment although the daemon goes on writing. What a
//! copy looks like is decided in `report::export`.

use super::encode::{is_retained, unpack_judgement};
use super::error::{StoreError, explain};
use super::packed_hours;
use super::read::Reader;
use super::rollup::{self, MINUTE_MS};
use super::series;
use super::stretches::{self, SeriesMinute};
use crate::engine::event::Doubt;
use crate::reading::Flag;
use crate::units::Timestamp;

/// A month of one sensor: some megabytes.
const COPIED_AT_ONCE_MINUTES: i64 = 30 * 24 * 60;

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
            let words = series::in_words(connection)?;
            let mut of_sensor: Vec<(&str, i64)> = Vec::new();
            of_sensor.extend(
                words.iter().filter(|(_, it)| it.sensor == sensor).map(|(series, it)| (it.quantity.as_str(), *series)),
            );
            of_sensor.sort_unstable();
            let is_of_sensor = |series| of_sensor.iter().any(|(_, it)| *it == series);
            let rolled_up_to = rollup::mark(connection)?.unwrap_or(i64::MIN);
            // What is in no minute mean yet.
            let mut unread = stretches::minutes_heard(connection, (rolled_up_to, i64::MAX), is_of_sensor)?;
            unread.retain(|it| (first..end).contains(&it.minute));
            let kept = of_sensor.iter().map(|(_, series)| packed_hours::ends(connection, *series));
            let kept = kept.collect::<rusqlite::Result<Vec<_>>>()?.into_iter().flatten();
            let fresh = unread.iter().map(|it| (it.minute, it.minute));
            let (oldest, newest) =
                kept.chain(fresh).fold((i64::MAX, i64::MIN), |all, it| (all.0.min(it.0), all.1.max(it.1)));
            let mut from = first.max(oldest);
            let end = end.min(newest.saturating_add(1));
            while from < end {
                let to = from.saturating_add(COPIED_AT_ONCE_MINUTES).min(end);
                let mut part: Vec<SeriesMinute> =
                    unread.iter().copied().filter(|it| (from..to).contains(&it.minute)).collect();
                for (_, series) in &of_sensor {
                    packed_hours::minutes_of(connection, *series, (from, to), |minute, sum| {
                        part.push(SeriesMinute { minute, series: *series, sum });
                    })?;
                }
                let quantity =
                    |series: i64| of_sensor.iter().find(|(_, it)| *it == series).map_or("", |(word, _)| *word);
                let mut part = stretches::merged(part);
                part.sort_by_key(|it| (it.minute, quantity(it.series)));
                for it in part {
                    let goes_on = each(MinuteRow {
                        at: instant(it.minute.saturating_mul(MINUTE_MS)),
                        quantity: quantity(it.series).to_owned(),
                        low: from_thousandths(it.sum.low),
                        mean: it.sum.sum as f64 / it.sum.n.max(1) as f64 / 1000.0,
                        high: from_thousandths(it.sum.high),
                        n: it.sum.n.unsigned_abs(),
                    });
                    if !goes_on {
                        return Ok(());
                    }
                }
                from = to;
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
