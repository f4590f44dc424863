//! The minute means of every series at once, in order of time, with what else happened
//! between them: a long span lived through again without its single readings.

use super::encode::decode;
use super::error::{StoreError, explain};
use super::read::{Reader, Replayed};
use super::rollup::{self, MINUTE_MS};
use super::stretches::{self, MinuteSum};
use crate::engine::event::{Event, What};
use crate::reading::RawReading;
use crate::units::Timestamp;
use rusqlite::params;

/// Fetched at once: some thousand means a series, and a short read lock.
const FETCHED_AT_ONCE_MS: i64 = 24 * 3_600_000;

impl Reader {
    /// Hands over the minute means of `since <= at < until` as readings in the unit that is
    /// believed (Celsius, per cent, litres), each at the middle of its minute, and every
    /// other stored event in its place among them.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn minutes(
        &self,
        since: Timestamp,
        until: Timestamp,
        mut each: impl FnMut(Event),
    ) -> Result<Replayed, StoreError> {
        let mut replayed = Replayed::default();
        let mut from = since.timestamp_millis();
        let end = until.timestamp_millis();
        while from < end {
            let to = from.saturating_add(FETCHED_AT_ONCE_MS).min(end);
            let mut day = self.day(from, to, &mut replayed).map_err(explain(&self.path))?;
            // Stable: what the store gave in order stays so where times are equal.
            day.sort_by_key(|(at, _)| *at);
            for (at, what) in day {
                match Timestamp::from_timestamp_millis(at) {
                    Some(at) => {
                        each(Event { at, what });
                        replayed.given += 1;
                    }
                    None => replayed.unreadable += 1,
                }
            }
            from = to;
        }
        Ok(replayed)
    }

    fn day(&self, from: i64, to: i64, replayed: &mut Replayed) -> rusqlite::Result<Vec<(i64, What)>> {
        let moment = self.connection.unchecked_transaction()?;
        let mut day = Vec::new();
        let first = from.div_euclid(MINUTE_MS) + i64::from(from.rem_euclid(MINUTE_MS) > MINUTE_MS / 2);
        let last = to.div_euclid(MINUTE_MS) + i64::from(to.rem_euclid(MINUTE_MS) > MINUTE_MS / 2);
        let heard_from = rollup::mark(&self.connection)?.unwrap_or(i64::MIN);
        // What is in no minute mean yet is gathered on the way.
        let mut means = self.connection.prepare_cached(
            "SELECT series, minute, sum, n FROM minute WHERE minute >= ?1 AND minute < ?2 AND series IN (SELECT id FROM series)
             UNION ALL
             SELECT series, (at - believed_lag) / 60000 AS minute, sum(believed), count(*) FROM reading
              WHERE at >= ?3 AND at >= ?4 AND at < ?5 AND believed IS NOT NULL GROUP BY 1, 2",
        )?;
        let mut rows = means.query(params![first, last, heard_from, from, to])?;
        let mut mean = |series: i64, minute: i64, sum: i64, n: i64| {
            let Some(channel) = self.channels.of(series) else {
                replayed.gone += 1;
                return;
            };
            let mean = sum as f64 / n.max(1) as f64 / 1000.0;
            match RawReading::new(channel, mean, None, false) {
                Some(raw) => {
                    day.push((minute.saturating_mul(MINUTE_MS).saturating_add(MINUTE_MS / 2), What::Reading(raw)));
                }
                None => replayed.unreadable += 1,
            }
        };
        let mut packed = stretches::packed_minutes(&self.connection, (heard_from.max(from), to), |_| true)?;
        let some_are_packed = !packed.is_empty();
        while let Some(row) = rows.next()? {
            let (series, minute, sum, n) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
            if some_are_packed {
                let one = MinuteSum { n, low: sum, sum, high: sum };
                packed.entry((minute, series)).and_modify(|other| other.add(one)).or_insert(one);
            } else {
                mean(series, minute, sum, n);
            }
        }
        drop(rows);
        for ((minute, series), sum) in packed {
            mean(series, minute, sum.sum, sum.n);
        }
        let mut others = self
            .connection
            .prepare_cached("SELECT at, kind, body FROM event WHERE at >= ?1 AND at < ?2 ORDER BY at, seq")?;
        let mut rows = others.query(params![from, to])?;
        while let Some(row) = rows.next()? {
            match decode(row.get_ref(1)?.as_str()?, row.get_ref(2)?.as_str()?, &self.sensors) {
                Ok(what) => day.push((row.get(0)?, what)),
                Err(super::Undecodable::SensorGone(_)) => replayed.gone += 1,
                Err(super::Undecodable::NotOurs(_)) => replayed.unreadable += 1,
            }
        }
        drop(rows);
        moment.commit()?;
        Ok(day)
    }
}
