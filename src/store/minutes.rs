//! The minute means of every series at once, in order of time, with what else happened
//! between them: a long span lived through again without its single readings.

use super::encode::decode;
use super::error::{StoreError, explain};
use super::packed_hours;
use super::read::{Reader, Replayed};
use super::rollup::{self, MINUTE_MS};
use super::stretches;
use crate::engine::event::{Event, What};
use crate::reading::RawReading;
use crate::units::Timestamp;
use rusqlite::params;

/// Fetched at once: some thousand means a series, and a short read lock.
const FETCHED_AT_ONCE_MS: i64 = 24 * 3_600_000;

/// Milliseconds since 1970 UTC, and a mean.
type TimedMeans = Vec<(i64, RawReading)>;
/// Milliseconds since 1970 UTC, and what else happened.
type OtherEvents = Vec<(i64, What)>;

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
            let (means, others) = self.day(from, to, &mut replayed).map_err(explain(&self.path))?;
            let mut hand = |(at, what): (i64, What)| match Timestamp::from_timestamp_millis(at) {
                Some(at) => {
                    each(Event { at, what });
                    replayed.given += 1;
                }
                None => replayed.unreadable += 1,
            };
            let mut others = others.into_iter().peekable();
            for (at, raw) in means {
                while let Some(other) = others.next_if(|(of_it, _)| *of_it < at) {
                    hand(other);
                }
                hand((at, What::Reading(raw)));
            }
            others.for_each(hand);
            from = to;
        }
        Ok(replayed)
    }

    /// Means and other events, each in order of time.
    fn day(&self, from: i64, to: i64, replayed: &mut Replayed) -> rusqlite::Result<(TimedMeans, OtherEvents)> {
        let moment = self.connection.unchecked_transaction()?;
        let first = from.div_euclid(MINUTE_MS) + i64::from(from.rem_euclid(MINUTE_MS) > MINUTE_MS / 2);
        let last = to.div_euclid(MINUTE_MS) + i64::from(to.rem_euclid(MINUTE_MS) > MINUTE_MS / 2);
        let heard_from = rollup::mark(&self.connection)?.unwrap_or(i64::MIN);
        let mut minutes = packed_hours::all_minutes(&self.connection, (first, last))?;
        // What is in no minute mean yet is gathered on the way.
        minutes.extend(stretches::minutes_heard(&self.connection, (heard_from.max(from), to), |_| true)?);
        let mut means = Vec::with_capacity(minutes.len());
        for it in stretches::merged(minutes) {
            let Some(channel) = self.channels.of(it.series) else {
                replayed.gone += 1;
                continue;
            };
            let mean = it.sum.sum as f64 / it.sum.n.max(1) as f64 / 1000.0;
            match RawReading::new(channel, mean, None, false) {
                Some(raw) => means.push((it.minute.saturating_mul(MINUTE_MS).saturating_add(MINUTE_MS / 2), raw)),
                None => replayed.unreadable += 1,
            }
        }
        let mut happened = Vec::new();
        let mut others = self
            .connection
            .prepare_cached("SELECT at, kind, body FROM event WHERE at >= ?1 AND at < ?2 ORDER BY at, seq")?;
        let mut rows = others.query(params![from, to])?;
        while let Some(row) = rows.next()? {
            match decode(row.get_ref(1)?.as_str()?, row.get_ref(2)?.as_str()?, &self.sensors) {
                Ok(what) => happened.push((row.get(0)?, what)),
                Err(super::Undecodable::SensorGone(_)) => replayed.gone += 1,
                Err(super::Undecodable::NotOurs(_)) => replayed.unreadable += 1,
            }
        }
        drop(rows);
        moment.commit()?;
        Ok((means, happened))
    }
}
