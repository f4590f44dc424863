//! What the engine remembers, kept beside the store, so that a start and every look live
//! through the minutes since and not through ten days, and what was learnt does not begin
//! anew. A file and not a row: it is written whole under another name and renamed, so it can
//! neither grow nor hurt the store, and a disk that refuses it refuses nothing else.
//!
//! It is never needed. Whatever is in doubt is thrown away, and the past is lived through
//! from the store as if there had been none: a state of another program or of other rules, one
//! that does not add up, one from the future or too old, and one that does not fit the
//! record. The last is told by a sum over the newest rows up to the moment of the state: rows
//! that were moved in time, went with retention, or belong to another copy of the store add
//! up to something else. Nothing is kept before the rows it came from are on the disk.

use super::error::{StoreError, explain};
use super::state_file::StateFile;
use super::{Reader, Store};
use crate::engine::Engine;
use crate::engine::rules::Rules;
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::{Connection, params};
use std::hash::{DefaultHasher, Hasher};
use std::sync::Arc;

/// What the file begins with; the number is that of its form.
const MAGIC: &[u8; 16] = b"traywarden st 1\n";
/// A sum over the engine's sources; see .ci/build.rs.
const BUILD: &[u8; 16] = include_build();
/// Magic, build, time, number within the millisecond, sum of the record.
const HEAD: usize = 16 + 16 + 8 + 4 + 8;
/// Rows of the record that are summed up, of readings and of other events: several minutes of
/// a large room. Own choice.
const ROWS_SUMMED: i64 = 64;
/// Older rows are not summed up, but for the newest: retention takes them away.
const SUMMED_WITHIN_MS: i64 = 3_600_000;
/// Longer than any watch looks back, the past of the store says as much. Own default.
const KEEPS: TimeDelta = TimeDelta::days(10);

const fn include_build() -> &'static [u8; 16] {
    match env!("ENGINE_SOURCES").as_bytes().first_chunk() {
        Some(build) => build,
        None => b"0000000000000000",
    }
}

/// Where the engine stood in the record: everything up to here was taken in.
pub type TakenIn = (Timestamp, u32);

/// An engine's memory as bytes, and where in the record it stood. Cheap to hand over.
#[derive(Clone, Debug)]
pub struct EngineState {
    taken_in: TakenIn,
    remembered: Vec<u8>,
}

impl EngineState {
    /// The memory of an engine that has taken in everything up to `taken_in`. `None` where it
    /// cannot be written down.
    pub fn of(engine: &Engine, taken_in: TakenIn) -> Option<EngineState> {
        match rmp_serde::to_vec(engine) {
            Ok(remembered) => Some(EngineState { taken_in, remembered }),
            Err(error) => {
                tracing::warn!(%error, "what the engine remembers cannot be kept");
                None
            }
        }
    }

    /// How many bytes it has.
    pub fn bytes(&self) -> usize {
        self.remembered.len()
    }

    /// The file's bytes, where the record up to there has this sum.
    pub fn to_file(&self, record: u64) -> Vec<u8> {
        let (at, seq) = self.taken_in;
        let mut bytes = Vec::with_capacity(HEAD + self.remembered.len() + 8);
        bytes.extend(MAGIC);
        bytes.extend(BUILD);
        bytes.extend(at.timestamp_millis().to_le_bytes());
        bytes.extend(seq.to_le_bytes());
        bytes.extend(record.to_le_bytes());
        bytes.extend(&self.remembered);
        bytes.extend(sum(&bytes).to_le_bytes());
        bytes
    }
}

/// A state that was read, of this program and whole. Whether it fits is asked next.
#[derive(Debug)]
pub struct KeptState<'a> {
    /// Where the engine stood.
    pub taken_in: TakenIn,
    record: u64,
    remembered: &'a [u8],
}

/// Why a state is thrown away.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StateDoubt {
    /// Cut off, changed, or never one of ours.
    #[error("it is not whole")]
    NotWhole,
    /// Another build wrote it.
    #[error("another version of the program wrote it")]
    OtherBuild,
    /// Other settings.
    #[error("it was made under other settings")]
    OtherRules,
    /// It stands ahead of the clock.
    #[error("it lies in the future")]
    Future,
    /// The record says as much.
    #[error("it is older than ten days")]
    Old,
    /// The rows it came from are not these.
    #[error("the store is not the one it came from, or was moved in time")]
    OtherRecord,
}

impl<'a> KeptState<'a> {
    /// Reads a file's bytes. Any bytes are answered.
    ///
    /// # Errors
    /// When they are not a whole state of this build.
    pub fn parse(file: &'a [u8]) -> Result<KeptState<'a>, StateDoubt> {
        let (body, summed) = file.split_last_chunk::<8>().ok_or(StateDoubt::NotWhole)?;
        let (magic, rest) = body.split_first_chunk::<16>().ok_or(StateDoubt::NotWhole)?;
        if magic != MAGIC || sum(body) != u64::from_le_bytes(*summed) {
            return Err(StateDoubt::NotWhole);
        }
        let (build, rest) = rest.split_first_chunk::<16>().ok_or(StateDoubt::NotWhole)?;
        if build != BUILD {
            return Err(StateDoubt::OtherBuild);
        }
        let (at, rest) = rest.split_first_chunk().ok_or(StateDoubt::NotWhole)?;
        let (seq, rest) = rest.split_first_chunk().ok_or(StateDoubt::NotWhole)?;
        let (record, remembered) = rest.split_first_chunk().ok_or(StateDoubt::NotWhole)?;
        let at = Timestamp::from_timestamp_millis(i64::from_le_bytes(*at)).ok_or(StateDoubt::NotWhole)?;
        let taken_in = (at, u32::from_le_bytes(*seq));
        Ok(KeptState { taken_in, record: u64::from_le_bytes(*record), remembered })
    }

    /// The engine, under these rules.
    ///
    /// # Errors
    /// When it obeyed others.
    pub fn engine(&self, rules: &Arc<Rules>) -> Result<Engine, StateDoubt> {
        let engine: Engine = rmp_serde::from_slice(self.remembered).map_err(|_| StateDoubt::NotWhole)?;
        engine.under(rules).ok_or(StateDoubt::OtherRules)
    }
}

impl Store {
    /// Keeps what the engine remembers. Only when everything it has taken in is committed. A
    /// state that cannot be written is none: the store has everything it came from.
    pub fn keep_state(&self, state: &EngineState) -> Result<(), StoreError> {
        let record = sum_of_record(&self.connection, state.taken_in).map_err(self.explain())?;
        if let Err(error) = StateFile::beside(&self.path).write(&state.to_file(record)) {
            tracing::info!(%error, "what the engine remembers could not be kept; the next start takes longer");
        }
        Ok(())
    }
}

impl Reader {
    /// The engine as it was kept, and where in the record it stood; `None` where none was, or
    /// it is in doubt. `now`: a state that lies behind it was written under another clock.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn kept_engine(&self, rules: &Arc<Rules>, now: Timestamp) -> Result<Option<(Engine, TakenIn)>, StoreError> {
        let Some(file) = StateFile::beside(&self.path).read() else { return Ok(None) };
        let resume = |kept: KeptState<'_>| {
            if kept.taken_in.0 > now {
                return Ok(Err(StateDoubt::Future));
            }
            if now - kept.taken_in.0 > KEEPS {
                return Ok(Err(StateDoubt::Old));
            }
            if sum_of_record(&self.connection, kept.taken_in)? != kept.record {
                return Ok(Err(StateDoubt::OtherRecord));
            }
            Ok(kept.engine(rules).map(|engine| (engine, kept.taken_in)))
        };
        match KeptState::parse(&file).map_or_else(|doubt| Ok(Err(doubt)), resume).map_err(explain(&self.path))? {
            Ok(resumed) => Ok(Some(resumed)),
            Err(doubt) => {
                tracing::info!("what the engine remembered is not used: {doubt}; the last ten days are lived through");
                Ok(None)
            }
        }
    }
}

/// A sum over the newest rows up to a moment.
fn sum_of_record(connection: &Connection, (at, seq): TakenIn) -> rusqlite::Result<u64> {
    let at = at.timestamp_millis();
    let mut hasher = DefaultHasher::new();
    let mut readings = connection.prepare_cached(
        "SELECT at, seq, series, raw FROM reading WHERE (at, seq) <= (?1, ?2) ORDER BY at DESC, seq DESC LIMIT ?3",
    )?;
    let mut rows = readings.query(params![at, seq, ROWS_SUMMED])?;
    let mut count = 0_u32;
    while let Some(row) = rows.next()? {
        let numbers: [i64; 4] = [row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?];
        if count > 0 && at - numbers[0] > SUMMED_WITHIN_MS {
            break;
        }
        count += 1;
        numbers.into_iter().for_each(|number| hasher.write_i64(number));
    }
    let mut events = connection.prepare_cached(
        "SELECT at, seq, kind, body FROM event WHERE (at, seq) <= (?1, ?2) ORDER BY at DESC, seq DESC LIMIT ?3",
    )?;
    let mut rows = events.query(params![at, seq, ROWS_SUMMED])?;
    let mut count = 0_u32;
    while let Some(row) = rows.next()? {
        let then: i64 = row.get(0)?;
        if count > 0 && at - then > SUMMED_WITHIN_MS {
            break;
        }
        count += 1;
        hasher.write_i64(then);
        hasher.write_i64(row.get(1)?);
        for text in [row.get_ref(2)?.as_bytes()?, row.get_ref(3)?.as_bytes()?] {
            hasher.write_usize(text.len());
            hasher.write(text);
        }
    }
    Ok(hasher.finish())
}

fn sum(bytes: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    hasher.write(bytes);
    hasher.finish()
}
