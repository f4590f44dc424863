//! The engine over a recorded night: what it would have said, when, under these
//! rules. A capture of any MQTT subscriber or the daemon's own store is run through
//! the very functions that run live.
//!
//! `recorded` feeds it (with `captured`, which reads a capture), `printed` tells it as lines, `beside` lays two tellings of one
//! night, each under its own settings, next to each other. `proposal` looks for the one change
//! of the settings that would have spared calls people said were wrong.

pub mod beside;
mod captured;
pub mod printed;
pub mod proposal;
pub mod recorded;

use crate::config::Config;
use crate::engine::Engine;
use crate::engine::alarm::{AlarmChange, AlarmState};
use crate::engine::event::{Effect, EntryRefusal, Event, LetterFacts, What};
use crate::intake::capture::CaptureError;
use crate::intake::payload::Decoded;
use crate::store::StoreError;
use crate::units::Timestamp;
use chrono::{SecondsFormat, TimeDelta};
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// After the last message time goes on for so long, so that a letter that was already
/// being gathered is not cut off.
const RUN_OUT: TimeDelta = TimeDelta::minutes(2);
/// Why a rehearsal stopped.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The capture cannot be read.
    #[error("cannot read the capture {path}: {source}")]
    Read {
        /// The capture that cannot be read.
        path: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// The output cannot be written.
    #[error("cannot write the rehearsal: {0}")]
    Write(#[from] std::io::Error),
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A line whose time cannot be right: watching the time between minute by minute
    /// would take for ever, and mean nothing.
    #[error(
        "line {line} of {path} has the time {found}, the line before it {before}, {days} days earlier; no recording \
         pauses for so long. Correct or remove the line whose time is wrong; two recordings are rehearsed one by one"
    )]
    WildTime {
        /// The capture that holds the line.
        path: String,
        /// The line's number, from 1.
        line: usize,
        /// Its time.
        found: Timestamp,
        /// The time before.
        before: Timestamp,
        /// Days between them.
        days: i64,
    },
    /// Not one line of the capture could be read.
    #[error("there is no recorded message in {path}; {first}")]
    NothingRecorded {
        /// The capture without a message.
        path: String,
        /// The first line's trouble.
        first: CaptureError,
    },
}

/// What came of a rehearsal, in numbers.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Summary {
    /// `summary`, so that the last line of the output names itself.
    pub event: &'static str,
    /// First and last moment.
    pub from: String,
    /// See `from`.
    pub until: String,
    /// Readings taken and rejected.
    pub readings: ReadingCounts,
    /// Journal entries taken and refused.
    pub journal: JournalCounts,
    /// Alarms raised, by kind.
    pub alarms: BTreeMap<&'static str, u64>,
    /// Letters, by kind.
    pub letters: BTreeMap<&'static str, u64>,
    /// Lines of the capture that were no recorded message.
    pub(super) lines_skipped: u64,
}

/// Readings by what became of them.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ReadingCounts {
    /// Believed, late ones included.
    pub taken: u64,
    /// Not believed, by reason.
    pub rejected: BTreeMap<&'static str, u64>,
}

/// Journal entries by what became of them.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct JournalCounts {
    /// Entries that the engine took.
    pub taken: u64,
    /// Entries that it refused.
    pub refused: u64,
}

/// What a rehearsal tells, as it happens.
#[derive(Clone, Copy, Debug)]
pub enum Rehearsed<'a> {
    /// An alarm changed its state.
    Alarm(&'a AlarmChange),
    /// A letter would have been written.
    Letter(&'a LetterFacts),
    /// A journal entry was refused.
    Refused {
        /// The entry's number in the journal.
        number: i64,
        /// The reason the engine gave.
        why: &'a EntryRefusal,
    },
}

/// Who is told what a rehearsal finds.
pub trait Teller {
    /// One thing, in order of time.
    ///
    /// # Errors
    /// When it cannot be passed on.
    fn reported(&mut self, reported: Rehearsed<'_>) -> Result<(), RehearsalError>;

    /// The end, with the sums.
    ///
    /// # Errors
    /// When it cannot be passed on.
    fn ended(&mut self, summary: &Summary) -> Result<(), RehearsalError>;
}

/// A rehearsal under way: feed it, then finish it.
pub struct Rehearsal<T: Teller> {
    rules: Arc<crate::engine::rules::Rules>,
    engine: Option<Engine>,
    teller: T,
    summary: Summary,
    entries: i64,
    last_at: Timestamp,
}

impl<T: Teller> Rehearsal<T> {
    /// A rehearsal under these settings that tells `teller`.
    pub fn new(config: &Config, teller: T) -> Self {
        Rehearsal {
            rules: Arc::new(config.rules.clone()),
            engine: None,
            teller,
            summary: Summary { event: "summary", ..Summary::default() },
            entries: 0,
            last_at: Timestamp::UNIX_EPOCH,
        }
    }

    /// Takes in what one recorded message said.
    fn decoded(&mut self, at: Timestamp, decoded: Decoded) -> Result<(), RehearsalError> {
        match decoded {
            Decoded::Events(events) => {
                for what in events {
                    self.event(Event { at, what })?;
                }
            }
            Decoded::Entry(mut entry) => {
                let trays = self.engine.as_ref().map(|engine| engine.trays().growing().map(|tray| tray.name.as_str()));
                let growing: Vec<&str> = trays.into_iter().flatten().collect();
                crate::typed::names::as_known(&mut entry, &self.rules, &growing);
                self.entries += 1;
                self.event(Event { at, what: What::Journal { number: self.entries, entry: *entry } })?;
            }
        }
        Ok(())
    }

    /// Takes in one stored event.
    pub fn event(&mut self, event: Event) -> Result<(), RehearsalError> {
        let at = event.at;
        match &event.what {
            What::NoValue(_) => *self.summary.readings.rejected.entry("no-value").or_default() += 1,
            What::Garbled { reason, .. } => *self.summary.readings.rejected.entry(reason.word()).or_default() += 1,
            _ => {}
        }
        let engine = self.engine.get_or_insert_with(|| {
            self.summary.from = instant(at);
            Engine::new(Arc::clone(&self.rules), at)
        });
        self.last_at = at;
        for effect in engine.handle(event) {
            self.effect(effect)?;
        }
        Ok(())
    }

    /// Lets the last letters out, tells the sums and gives them back.
    pub fn finish(self) -> Result<Summary, RehearsalError> {
        self.finish_by(Timestamp::MAX_UTC)
    }

    /// The same, but time goes on no further than this: of a night that is not over, no
    /// letter is told that nobody can know yet.
    pub(super) fn finish_by(mut self, end: Timestamp) -> Result<Summary, RehearsalError> {
        if self.engine.is_some() {
            let at = (self.last_at + RUN_OUT).min(end).max(self.last_at);
            self.event(Event { at, what: What::Tick })?;
        }
        self.summary.until = instant(self.last_at);
        self.teller.ended(&self.summary)?;
        Ok(self.summary)
    }

    fn effect(&mut self, effect: Effect) -> Result<(), RehearsalError> {
        match effect {
            Effect::Judged(judgement) => {
                if judgement.believed.is_some() {
                    self.summary.readings.taken += 1;
                } else {
                    let reason = judgement.reason.map_or("unknown", |doubt| doubt.word());
                    *self.summary.readings.rejected.entry(reason).or_default() += 1;
                }
            }
            Effect::Alarm(change) => {
                if is_raise(&change) {
                    *self.summary.alarms.entry(change.key.kind.word()).or_default() += 1;
                }
                self.teller.reported(Rehearsed::Alarm(&change))?;
            }
            Effect::Letter(facts) => {
                *self.summary.letters.entry(facts.kind.word()).or_default() += 1;
                self.teller.reported(Rehearsed::Letter(&facts))?;
            }
            Effect::EntryTaken { .. } => self.summary.journal.taken += 1,
            Effect::EntryRefused { number, why } => {
                self.summary.journal.refused += 1;
                self.teller.reported(Rehearsed::Refused { number, why: &why })?;
            }
            Effect::CommandRefused { .. } => {}
        }
        Ok(())
    }
}

/// It was quiet before, and now it stands.
fn is_raise(change: &AlarmChange) -> bool {
    matches!(change.before, AlarmState::Normal | AlarmState::ReturnedUnacknowledged)
        && matches!(change.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

fn instant(at: Timestamp) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}
