//! Figures over time: believed values by step, and the last value of each
//! series. From minute means where a step is a minute or more, from single
//! readings where it is finer.

use super::error::{StoreError, explain};
use super::read::Reader;
use super::rollup::{self, MINUTE_MS};
use super::stretches::{self, MinuteSum};
use super::{packed_hours, series};
use crate::reading::Quantity;
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::params;
use std::collections::BTreeMap;

/// Believed readings of one step. Celsius, per cent, or litres for a reservoir.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HistoryPoint {
    /// Where the step begins.
    pub from: Timestamp,
    /// Lowest value.
    pub low: f64,
    /// Mean of the readings.
    pub mean: f64,
    /// Highest value.
    pub high: f64,
    /// Readings in it, at least 1: a step without readings is left out.
    pub n: u64,
}

/// A backlog may bring readings this long after they were measured and still be
/// found by a fine-grained look-up. Minute means have no such limit.
const BACKLOG_MS: i64 = 24 * 3_600_000;

impl Reader {
    /// Believed values of a sensor's quantity with `since <= measured < until`, in
    /// steps counted from `since`. Steps of a minute or more are made of whole
    /// minutes. Empty for a series that does not exist or a step that is not positive.
    pub fn history(
        &self,
        sensor: &str,
        quantity: Quantity,
        since: Timestamp,
        until: Timestamp,
        step: TimeDelta,
    ) -> Result<Vec<HistoryPoint>, StoreError> {
        let (since, until, step) = (since.timestamp_millis(), until.timestamp_millis(), step.num_milliseconds());
        if step <= 0 || until <= since {
            return Ok(Vec::new());
        }
        let mut steps = Steps { since, step, latest: None, points: BTreeMap::new() };
        let fill = |steps: &mut Steps| -> rusqlite::Result<()> {
            let Some(series) = series::find(&self.connection, sensor, quantity.word())? else { return Ok(()) };
            let moment = self.connection.unchecked_transaction()?;
            let mut heard_from = since;
            if step >= MINUTE_MS {
                self.add_minutes(steps, series, since, until)?;
                heard_from = rollup::mark(&self.connection)?.unwrap_or(i64::MIN);
            }
            self.add_readings(steps, series, since, until, heard_from)?;
            moment.commit()
        };
        fill(&mut steps).map_err(explain(&self.path))?;
        Ok(steps.finish())
    }

    fn add_minutes(&self, steps: &mut Steps, series: i64, since: i64, until: i64) -> rusqlite::Result<()> {
        let first = since.div_euclid(MINUTE_MS) + i64::from(since.rem_euclid(MINUTE_MS) != 0);
        let end = until.div_euclid(MINUTE_MS) + i64::from(until.rem_euclid(MINUTE_MS) != 0);
        packed_hours::minutes_of(&self.connection, series, (first, end), |minute, sum| {
            steps.add(minute.saturating_mul(MINUTE_MS), sum);
        })
    }

    /// Single readings heard from `heard_from` on: those that are in no minute mean yet.
    fn add_readings(
        &self,
        steps: &mut Steps,
        series: i64,
        since: i64,
        until: i64,
        heard_from: i64,
    ) -> rusqlite::Result<()> {
        let mut readings = self.connection.prepare_cached(
            "SELECT at - believed_lag, believed FROM reading
              WHERE at >= ?1 AND at < ?2 AND series = ?3 AND believed IS NOT NULL",
        )?;
        let heard = (heard_from.max(since), until.saturating_add(BACKLOG_MS));
        let mut add = |measured: i64, value: i64| {
            if (since..until).contains(&measured) {
                steps.add(measured, MinuteSum::of(value));
            }
        };
        stretches::readings_of(&self.connection, series, heard, |reading| {
            if let Some(value) = reading.believed {
                add(reading.at.saturating_sub(reading.believed_lag), value);
            }
        })?;
        let mut rows = readings.query(params![heard.0, heard.1, series])?;
        while let Some(row) = rows.next()? {
            add(row.get(0)?, row.get(1)?);
        }
        Ok(())
    }
}

/// Thousandths, summed up by step. What comes in order of time, as nearly all does,
/// is summed up in `latest` and costs no look-up.
struct Steps {
    since: i64,
    step: i64,
    latest: Option<(i64, MinuteSum)>,
    points: BTreeMap<i64, MinuteSum>,
}

impl Steps {
    fn add(&mut self, at: i64, part: MinuteSum) {
        let nth = (at - self.since).div_euclid(self.step);
        match &mut self.latest {
            Some((latest, step)) if *latest == nth => step.add(part),
            _ => {
                self.settle();
                self.latest = Some((nth, part));
            }
        }
    }

    fn settle(&mut self) {
        if let Some((nth, step)) = self.latest.take() {
            self.points.entry(nth).and_modify(|point| point.add(step)).or_insert(step);
        }
    }

    fn finish(mut self) -> Vec<HistoryPoint> {
        self.settle();
        let points = self.points.into_iter().filter(|(_, point)| point.n > 0);
        points
            .filter_map(|(nth, point)| {
                Some(HistoryPoint {
                    from: Timestamp::from_timestamp_millis(self.since + nth * self.step)?,
                    low: from_thousandths(point.low),
                    mean: mean(point.sum, point.n),
                    high: from_thousandths(point.high),
                    n: point.n.unsigned_abs(),
                })
            })
            .collect()
    }
}

fn from_thousandths(value: i64) -> f64 {
    value as f64 / 1000.0
}

fn mean(sum: i64, n: i64) -> f64 {
    sum as f64 / n.max(1) as f64 / 1000.0
}
