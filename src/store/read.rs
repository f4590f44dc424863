//! Reading while the daemon writes, from this or another process: the events in
//! their exact order, to be lived through again. Everything else a reader can
//! look up is in `history` and `written`.
//!
//! No statement is ever left open between calls: an open one keeps the
//! write-ahead log from being reused (measured: 696 MB).

use super::encode::{SensorNames, decode, is_retained};
use super::error::{StoreError, explain, must_exist};
use super::packed::{READING_COLUMNS, StoredReading};
use super::series::ChannelsOfSeries;
use super::stretches::{self, PackedStretch};
use super::{opening, schema};
use crate::engine::event::{Event, What};
use crate::engine::rules::Rules;
use crate::reading::RawReading;
use crate::units::Timestamp;
use rusqlite::{Connection, OpenFlags, params};
use std::path::{Path, PathBuf};

/// How closely a file is looked through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// Every page of the file is read, indices are not compared.
    Quick,
    /// And whether keys stand in their order, which the quick look misses (measured): after a
    /// kill or a power cut.
    Full,
}

impl Depth {
    pub(super) fn pragma(self) -> &'static str {
        match self {
            Depth::Quick => "PRAGMA quick_check(1)",
            Depth::Full => "PRAGMA integrity_check(1)",
        }
    }
}

/// A read-only view of the store.
pub struct Reader {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    pub(super) channels: ChannelsOfSeries,
    pub(super) sensors: SensorNames,
}

/// How a replay went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Replayed {
    /// Events handed over.
    pub given: u64,
    /// Events of sensors and quantities that have left the config.
    pub gone: u64,
    /// Events that could not be read: written by a newer build, or by hand.
    pub(crate) unreadable: u64,
}

/// Readings fetched at once: about a megabyte of memory, and a short read lock.
const FETCHED_AT_ONCE: i64 = 16_384;

/// Tables that a store has from a version on; an older one that was not opened for writing since
/// reads as one in which they are empty.
const EMPTY_BEFORE: [(usize, &str); 2] = [
    (
        8,
        "CREATE TEMP TABLE packed (id INTEGER PRIMARY KEY, stretch, series, part, readings, lasts, step, grain, seq,
             belief, judged, claimed_lag, believed_lag, times, raw, UNIQUE (stretch, series, part))",
    ),
    (
        9,
        "CREATE TEMP TABLE minute_packed (series, hour, minutes, first, grain, places, n, low, spread, rest,
             PRIMARY KEY (series, hour))",
    ),
];

impl Reader {
    /// Opens an existing store for reading. Needs write access to its folder only
    /// for SQLite's shared memory file, and only while the daemon is not running.
    pub fn open(path: &Path, rules: &Rules) -> Result<Reader, StoreError> {
        let path = path.to_owned();
        must_exist(&path)?;
        let open = || -> Result<Reader, StoreError> {
            let explain = explain(&path);
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let connection = Connection::open_with_flags(&path, flags).map_err(&explain)?;
            opening::configure(&connection).map_err(&explain)?;
            let found = schema::version(&connection).map_err(&explain)?;
            let known = schema::MIGRATIONS.len();
            if found > known {
                return Err(StoreError::Newer { path: path.clone(), found, known });
            }
            if found == 0 {
                return Err(StoreError::Missing { path: path.clone() });
            }
            for (_, table) in EMPTY_BEFORE.iter().filter(|(since, _)| found < *since) {
                connection.execute_batch(table).map_err(&explain)?;
            }
            let channels = ChannelsOfSeries::read(&connection, rules).map_err(&explain)?;
            Ok(Reader { connection, path: path.clone(), channels, sensors: SensorNames::of(rules) })
        };
        open()
    }

    /// Opens a store that nobody can write to, nor beside it: what stands in the file itself,
    /// without a write-ahead log that may lie there. Only while no daemon writes.
    pub(crate) fn open_unwritable(path: &Path, rules: &Rules) -> Result<Reader, StoreError> {
        let explain = explain(path);
        let text = path.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23");
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(format!("file:{text}?immutable=1"), flags).map_err(&explain)?;
        let known = schema::MIGRATIONS.len();
        let found = schema::version(&connection).map_err(&explain)?;
        if found != known {
            return Err(StoreError::Newer { path: path.to_owned(), found, known });
        }
        let channels = ChannelsOfSeries::read(&connection, rules).map_err(&explain)?;
        Ok(Reader { connection, path: path.to_owned(), channels, sensors: SensorNames::of(rules) })
    }

    /// Looks through the whole file for damage.
    pub fn check(&self, depth: Depth) -> Result<(), StoreError> {
        let pragma = depth.pragma();
        let verdict: String = self.connection.query_row(pragma, [], |row| row.get(0)).map_err(explain(&self.path))?;
        if verdict == "ok" { Ok(()) } else { Err(StoreError::Damaged { path: self.path.clone(), what: verdict }) }
    }

    /// Hands every event with `since <= at < until` to `each`, in the order in
    /// which they happened, ties included. Ticks of which nothing came were never stored.
    pub fn events(
        &self,
        since: Timestamp,
        until: Timestamp,
        mut each: impl FnMut(Event),
    ) -> Result<Replayed, StoreError> {
        self.events_from(Position { at: since.timestamp_millis(), seq: -1 }, until, &mut each)
    }

    /// The same for every event after a position of the record.
    pub fn events_after(
        &self,
        (at, seq): (Timestamp, u32),
        until: Timestamp,
        mut each: impl FnMut(Event),
    ) -> Result<Replayed, StoreError> {
        self.events_from(Position { at: at.timestamp_millis(), seq: seq.into() }, until, &mut each)
    }

    fn events_from(
        &self,
        mut after: Position,
        until: Timestamp,
        each: &mut impl FnMut(Event),
    ) -> Result<Replayed, StoreError> {
        let mut replayed = Replayed::default();
        let end = Position { at: until.timestamp_millis(), seq: -1 };
        loop {
            let page = self.page(after, end).map_err(explain(&self.path))?;
            replayed.gone += page.gone;
            replayed.unreadable += page.unreadable;
            let mut others = page.others.into_iter().peekable();
            for (position, what) in page.readings {
                while let Some((before, other)) = others.next_if(|(other, _)| *other < position) {
                    hand_over(before, other, each, &mut replayed);
                }
                hand_over(position, what, each, &mut replayed);
            }
            for (position, other) in others {
                hand_over(position, other, each, &mut replayed);
            }
            match page.last {
                Some(last) => after = last,
                None => return Ok(replayed),
            }
        }
    }

    /// Readings after `after` up to a page's worth, and the other events of the same span.
    fn page(&self, after: Position, end: Position) -> rusqlite::Result<ReadPage> {
        // All tables as they were at one moment, though the daemon writes.
        let moment = self.connection.unchecked_transaction()?;
        let mut page = ReadPage::default();
        let from = if after.seq == i64::MAX { after.at + 1 } else { after.at };
        let stretch = stretches::next(&self.connection, from, end.at)?;
        // What was heard before the next packed readings, if anything was; else they are the page.
        let before = Position { at: stretch.map_or(end.at, |stretch| stretch.begins.max(after.at)), seq: -1 };
        let fetched = self.fresh(&mut page, after, before)?;
        if let Some(stretch) = stretch.filter(|_| fetched == 0) {
            let up_to = Position { at: stretch.ends.min(end.at - 1), seq: i64::MAX };
            self.packed(&mut page, stretch, after, up_to)?;
            page.last = (stretch.ends < end.at - 1).then_some(up_to);
        } else if fetched < FETCHED_AT_ONCE {
            page.last = stretch.is_some().then_some(Position { at: before.at - 1, seq: i64::MAX });
        }
        let up_to = page.last.unwrap_or(Position { at: end.at, seq: -1 });
        let mut others = self.connection.prepare_cached(
            "SELECT at, seq, kind, body FROM event
              WHERE (at, seq) > (?1, ?2) AND (at, seq) <= (?3, ?4) ORDER BY at, seq",
        )?;
        let mut rows = others.query(params![after.at, after.seq, up_to.at, up_to.seq])?;
        while let Some(row) = rows.next()? {
            let position = Position { at: row.get(0)?, seq: row.get(1)? };
            match decode(row.get_ref(2)?.as_str()?, row.get_ref(3)?.as_str()?, &self.sensors) {
                Ok(what) => page.others.push((position, what)),
                Err(super::Undecodable::SensorGone(_)) => page.gone += 1,
                Err(super::Undecodable::NotOurs(_)) => page.unreadable += 1,
            }
        }
        drop(rows);
        moment.commit()?;
        Ok(page)
    }

    /// Fetches readings of table `reading` between two positions, as many as fit, and says how many.
    fn fresh(&self, page: &mut ReadPage, after: Position, end: Position) -> rusqlite::Result<i64> {
        let sql = format!(
            "SELECT {READING_COLUMNS} FROM reading WHERE (at, seq) > (?1, ?2) AND (at, seq) < (?3, ?4) ORDER BY at, seq LIMIT ?5"
        );
        let mut heard = self.connection.prepare_cached(&sql)?;
        let mut rows = heard.query(params![after.at, after.seq, end.at, end.seq, FETCHED_AT_ONCE])?;
        let mut fetched = 0;
        while let Some(row) = rows.next()? {
            fetched += 1;
            let reading = StoredReading::of(row)?;
            page.last = Some(Position { at: reading.at, seq: reading.seq });
            self.put(page, &reading);
        }
        page.last = page.last.filter(|_| fetched == FETCHED_AT_ONCE);
        Ok(fetched)
    }

    /// The packed readings of a stretch between two positions, and what stands among them in
    /// table `reading`.
    fn packed(
        &self,
        page: &mut ReadPage,
        stretch: PackedStretch,
        after: Position,
        up_to: Position,
    ) -> rusqlite::Result<()> {
        let (mut readings, lost) = stretches::readings(&self.connection, stretch)?;
        page.unreadable += lost;
        let sql = format!("SELECT {READING_COLUMNS} FROM reading WHERE (at, seq) > (?1, ?2) AND (at, seq) <= (?3, ?4)");
        let mut among = self.connection.prepare_cached(&sql)?;
        let packed = readings.len();
        let among = among.query_map(params![after.at, after.seq, up_to.at, up_to.seq], StoredReading::of)?;
        for reading in among {
            readings.push(reading?);
        }
        if readings.len() > packed {
            readings.sort_by_key(StoredReading::position);
        }
        for reading in &readings {
            let position = Position { at: reading.at, seq: reading.seq };
            if position > after && position <= up_to {
                self.put(page, reading);
            }
        }
        Ok(())
    }

    fn put(&self, page: &mut ReadPage, reading: &StoredReading) {
        let Some(channel) = self.channels.of(reading.series) else {
            page.gone += 1;
            return;
        };
        let measured_at =
            reading.claimed_lag.and_then(|lag| Timestamp::from_timestamp_millis(reading.at.checked_sub(lag)?));
        match RawReading::new(channel, reading.raw as f64 / 1000.0, measured_at, is_retained(reading.judged)) {
            Some(raw) => {
                page.readings.push((Position { at: reading.at, seq: reading.seq }, What::Reading(raw)));
            }
            None => page.unreadable += 1,
        }
    }
}

#[derive(Default)]
struct ReadPage {
    readings: Vec<(Position, What)>,
    others: Vec<(Position, What)>,
    /// The last reading, if there may be more after it.
    last: Option<Position>,
    gone: u64,
    unreadable: u64,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Position {
    at: i64,
    seq: i64,
}

fn hand_over(position: Position, what: What, each: &mut impl FnMut(Event), replayed: &mut Replayed) {
    match Timestamp::from_timestamp_millis(position.at) {
        Some(at) => {
            each(Event { at, what });
            replayed.given += 1;
        }
        None => replayed.unreadable += 1,
    }
}
