//! What a rehearsal is fed from: a capture of an MQTT subscriber, or the daemon's own
//! store, reading by reading or by minute means.

use super::{Rehearsal, RehearsalError, Summary, Teller, captured};
use crate::config::Config;
use crate::engine::event::{Event, What};
use crate::engine::rules::Rules;
use crate::reading::Quantity;
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::path::{Path, PathBuf};

/// A recorded span.
#[derive(Clone, Debug, PartialEq)]
pub enum Recording {
    /// One JSON object a line, as `mosquitto_sub -F %j` prints it.
    Capture(PathBuf),
    /// The daemon's own store.
    Store {
        /// The store's file.
        path: PathBuf,
        /// The first moment that is lived again.
        since: Timestamp,
        /// The last moment that is lived again.
        until: Timestamp,
        /// What is read.
        grain: Grain,
    },
}

/// How finely a store is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grain {
    /// Every reading, judged anew.
    Readings,
    /// One mean a minute and series: what was believed then, calibrated as it was then.
    /// Kept for good, and several times faster; refused readings are not in it.
    Minutes,
}

/// Runs a recording under these settings.
///
/// # Errors
/// When it cannot be read, or the teller cannot pass on what it is told.
pub fn rehearse(config: &Config, recording: &Recording, teller: impl Teller) -> Result<Summary, RehearsalError> {
    match recording {
        Recording::Capture(path) => capture(config, path, teller),
        Recording::Store { path, since, until, grain } => stored(config, path, (*since, *until), *grain, teller),
    }
}

fn capture(config: &Config, path: &Path, teller: impl Teller) -> Result<Summary, RehearsalError> {
    let mut rehearsal = Rehearsal::new(config, teller);
    let skipped = captured::read(config, path, |at, decoded| rehearsal.decoded(at, decoded))?;
    rehearsal.summary.lines_skipped = skipped.lines;
    match skipped.first {
        Some(first) if rehearsal.engine.is_none() => {
            Err(RehearsalError::NothingRecorded { path: path.display().to_string(), first })
        }
        _ => rehearsal.finish(),
    }
}

fn stored(
    config: &Config,
    path: &Path,
    (since, until): (Timestamp, Timestamp),
    grain: Grain,
    teller: impl Teller,
) -> Result<Summary, RehearsalError> {
    let reader = Reader::open(path, &config.rules)?;
    let mut rehearsal = Rehearsal::new(config, teller);
    if grain == Grain::Minutes {
        rehearsal.rules = std::sync::Arc::new(as_believed(&config.rules));
    }
    what_stood(&reader, since, &mut rehearsal)?;
    let mut failed = Ok(());
    let each = |event| {
        if failed.is_ok() {
            failed = rehearsal.event(event);
        }
    };
    match grain {
        Grain::Readings => reader.events(since, until, each)?,
        Grain::Minutes => reader.minutes(since, until, each)?,
    };
    failed?;
    rehearsal.finish_by(until)
}

/// What the journal said before `since`, so that every tray is in its stage.
fn what_stood<T: Teller>(
    reader: &Reader,
    since: Timestamp,
    rehearsal: &mut Rehearsal<T>,
) -> Result<(), RehearsalError> {
    for line in reader.journal(Timestamp::UNIX_EPOCH)?.into_iter().filter(|line| line.at < since) {
        let mut entry = line.entry;
        entry.at.get_or_insert(line.at);
        rehearsal.event(Event { at: since, what: What::Journal { number: line.number, entry } })?;
    }
    Ok(())
}

/// The same rules for values that were calibrated, and made litres of, before.
fn as_believed(rules: &Rules) -> Rules {
    let mut rules = rules.clone();
    for sensor in &mut rules.sensors {
        sensor.every = sensor.every.max(TimeDelta::minutes(1));
    }
    for index in 0..rules.channels.len() {
        let in_tank = rules.sensor(rules.channels[index].sensor).reservoir.is_some();
        let channel = &mut rules.channels[index];
        channel.gain = 1.0;
        channel.offset = 0.0;
        if in_tank {
            channel.quantity = Quantity::Volume;
            channel.resolution = 0.0;
        }
    }
    rules
}
