//! What a rehearsal is fed from: a capture of an MQTT subscriber, or the daemon's own
//! store, reading by reading or by minute means.

use super::{Rehearsal, RehearsalError, Summary, Teller};
use crate::config::Config;
use crate::engine::event::{Event, What};
use crate::engine::rules::Rules;
use crate::intake::capture;
use crate::reading::Quantity;
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::io::BufRead;
use std::path::{Path, PathBuf};

/// A recording that pauses for longer has a wrong time in it. Own default: longer than a
/// holiday, and lived through in a second.
const LONGEST_PAUSE: TimeDelta = TimeDelta::days(100);

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

/// Lines that are no recorded message are skipped and counted, as long as there is any
/// that is one.
fn capture(config: &Config, path: &Path, teller: impl Teller) -> Result<Summary, RehearsalError> {
    let shown = path.display().to_string();
    let failed = |source| RehearsalError::Read { path: shown.clone(), source };
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut reader = std::io::BufReader::with_capacity(1 << 20, file);
    let mut rehearsal = Rehearsal::new(config, teller);
    let mut line = Vec::new();
    let mut first = None;
    let mut newest = None;
    for number in 1.. {
        line.clear();
        if reader.read_until(b'\n', &mut line).map_err(failed)? == 0 {
            break;
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        match capture::read_line(number, &line) {
            Ok(message) => {
                let before = *newest.get_or_insert(message.at);
                if (message.at - before).abs() > LONGEST_PAUSE {
                    let days = (message.at - before).num_days().abs();
                    return Err(RehearsalError::WildTime {
                        path: shown,
                        line: number,
                        found: message.at,
                        before,
                        days,
                    });
                }
                newest = Some(before.max(message.at));
                rehearsal.message(message.at, &message.topic, &message.payload, message.retained)?;
            }
            Err(error) => {
                rehearsal.summary.lines_skipped += 1;
                first.get_or_insert(error);
            }
        }
    }
    match first {
        Some(first) if rehearsal.engine.is_none() => Err(RehearsalError::NothingRecorded { path: shown, first }),
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
    rehearsal: &mut Rehearsal<'_, T>,
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
