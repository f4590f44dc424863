//! The engine over a recorded night: what it would have said, when, under these
//! rules. A capture of any MQTT subscriber or the daemon's own store is run through
//! the very functions that run live.

use crate::config::Config;
use crate::engine::Engine;
use crate::engine::alarm::AlarmState;
use crate::engine::event::{Effect, Event, LetterFacts, What};
use crate::intake::capture::{self, CaptureError};
use crate::intake::payload::{self, Heard};
use crate::notify::wording;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use chrono::{SecondsFormat, TimeDelta};
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::path::Path;
use std::sync::Arc;

/// After the last message time goes on for so long, so that a letter that was already
/// being gathered is not cut off.
const RUN_OUT: TimeDelta = TimeDelta::minutes(2);
/// A recorder whose clock was set back by more than this was set, not jittery.
const SET_BACK: TimeDelta = TimeDelta::seconds(5);

/// Why a rehearsal stopped.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The capture cannot be read.
    #[error("cannot read the capture {path}: {source}")]
    Read {
        /// The file.
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
    /// Not one line of the capture could be read.
    #[error("there is no recorded message in {path}; {first}")]
    NothingRecorded {
        /// The file.
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
    pub lines_skipped: u64,
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
    /// Taken.
    pub taken: u64,
    /// Refused.
    pub refused: u64,
}

/// One change of state, as a line of output.
#[derive(Serialize)]
struct AlarmLine<'a> {
    at: String,
    event: &'static str,
    kind: &'static str,
    subject: &'a str,
    state: &'static str,
    priority: &'static str,
    harm_from: Option<String>,
    text: String,
}

/// One letter, as a line of output.
#[derive(Serialize)]
struct LetterLine {
    at: String,
    event: &'static str,
    letter: &'static str,
    subject: String,
    text: String,
}

/// A rehearsal under way: feed it, then finish it.
pub struct Rehearsal<'a, W: Write> {
    config: &'a Config,
    engine: Option<Engine>,
    out: W,
    json: bool,
    summary: Summary,
    entries: i64,
    last_at: Timestamp,
    set_back_by: TimeDelta,
}

impl<'a, W: Write> Rehearsal<'a, W> {
    /// A rehearsal that writes to `out`: JSON objects, one a line, or lines for people.
    pub fn new(config: &'a Config, out: W, json: bool) -> Self {
        Rehearsal {
            config,
            engine: None,
            out,
            json,
            summary: Summary { event: "summary", ..Summary::default() },
            entries: 0,
            last_at: Timestamp::UNIX_EPOCH,
            set_back_by: TimeDelta::zero(),
        }
    }

    /// Takes in one recorded message.
    pub fn message(&mut self, at: Timestamp, topic: &str, bytes: &[u8], retained: bool) -> Result<(), RehearsalError> {
        let at = self.forward(at);
        match payload::decode(&self.config.topics, topic, bytes, retained, at) {
            Heard::Said(said) => {
                for what in said {
                    self.event(Event { at, what })?;
                }
            }
            Heard::Entry(entry) => {
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
            Engine::new(Arc::new(self.config.rules.clone()), at)
        });
        self.last_at = at;
        for effect in engine.handle(event) {
            self.effect(effect)?;
        }
        Ok(())
    }

    /// Lets the last letters out, writes the summary and gives it back.
    pub fn finish(mut self) -> Result<Summary, RehearsalError> {
        if self.engine.is_some() {
            let at = self.last_at + RUN_OUT;
            self.event(Event { at, what: What::Tick })?;
        }
        self.summary.until = instant(self.last_at);
        if self.json {
            self.line(&self.summary.clone())?;
        } else {
            let summary = &self.summary;
            writeln!(self.out)?;
            writeln!(self.out, "Readings taken: {}", summary.readings.taken)?;
            for (reason, count) in &summary.readings.rejected {
                writeln!(self.out, "Readings rejected, {reason}: {count}")?;
            }
            for (kind, count) in &summary.alarms {
                writeln!(self.out, "Alarms raised, {kind}: {count}")?;
            }
            for (kind, count) in &summary.letters {
                writeln!(self.out, "Letters, {kind}: {count}")?;
            }
        }
        self.out.flush()?;
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
                let raised = matches!(change.before, AlarmState::Normal | AlarmState::ReturnedUnacknowledged)
                    && matches!(change.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
                if raised {
                    *self.summary.alarms.entry(change.key.kind.word()).or_default() += 1;
                }
                let text = wording::alarm_text(&change, &self.config.rules.site);
                if self.json {
                    self.line(&AlarmLine {
                        at: instant(change.at),
                        event: "alarm",
                        kind: change.key.kind.word(),
                        subject: &change.key.subject,
                        state: change.state.word(),
                        priority: change.priority.word(),
                        harm_from: change.harm.map(|harm| instant(harm.from)),
                        text,
                    })?;
                } else {
                    let at = self.local(change.at);
                    writeln!(
                        self.out,
                        "{at}  {} ({}, {})",
                        change.key.id(),
                        change.state.word(),
                        change.priority.word()
                    )?;
                    writeln!(self.out, "                    {text}")?;
                }
            }
            Effect::Letter(facts) => self.letter(&facts)?,
            Effect::EntryTaken { .. } => self.summary.journal.taken += 1,
            Effect::EntryRefused { number, why } => {
                self.summary.journal.refused += 1;
                if !self.json {
                    writeln!(self.out, "Journal entry {number} is refused: {why}")?;
                }
            }
            Effect::CommandRefused { .. } => {}
        }
        Ok(())
    }

    fn letter(&mut self, facts: &LetterFacts) -> Result<(), RehearsalError> {
        *self.summary.letters.entry(facts.kind.word()).or_default() += 1;
        let letter = wording::letter(facts, &self.config.rules, Vec::new());
        if self.json {
            return self.line(&LetterLine {
                at: instant(facts.at),
                event: "letter",
                letter: facts.kind.word(),
                subject: letter.subject,
                text: letter.text,
            });
        }
        let at = self.local(facts.at);
        writeln!(self.out, "{at}  LETTER ({}): {}", facts.kind.word(), letter.subject)?;
        Ok(())
    }

    /// A recorder's clock that was set back would stop our time; its later stamps are
    /// carried on from where it was, as the daemon's own clock does.
    fn forward(&mut self, at: Timestamp) -> Timestamp {
        if self.engine.is_none() {
            return at;
        }
        let carried = at + self.set_back_by;
        if self.last_at - carried > SET_BACK {
            self.set_back_by = self.last_at - at;
        } else if at >= self.last_at {
            self.set_back_by = TimeDelta::zero();
        }
        (at + self.set_back_by).max(self.last_at)
    }

    fn local(&self, at: Timestamp) -> String {
        at.with_timezone(&self.config.rules.site.time_zone).format("%a %d %b %H:%M:%S").to_string()
    }

    fn line(&mut self, line: &impl Serialize) -> Result<(), RehearsalError> {
        serde_json::to_writer(&mut self.out, line).map_err(std::io::Error::from)?;
        self.out.write_all(b"\n")?;
        Ok(())
    }
}

/// Runs a capture file. Lines that are no recorded message are skipped and counted, as
/// long as there is any that is one.
pub fn capture(config: &Config, path: &Path, out: impl Write, json: bool) -> Result<Summary, RehearsalError> {
    let shown = path.display().to_string();
    let failed = |source| RehearsalError::Read { path: shown.clone(), source };
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut reader = std::io::BufReader::with_capacity(1 << 20, file);
    let mut rehearsal = Rehearsal::new(config, out, json);
    let mut line = Vec::new();
    let mut first = None;
    for number in 1.. {
        line.clear();
        if reader.read_until(b'\n', &mut line).map_err(failed)? == 0 {
            break;
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        match capture::read_line(number, &line) {
            Ok(message) => rehearsal.message(message.at, &message.topic, &message.payload, message.retained)?,
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

/// Runs the daemon's own store from `since` to `until`. What the journal said before
/// `since` is told first, so that every tray is in its stage.
pub fn store(
    config: &Config,
    path: &Path,
    since: Timestamp,
    until: Timestamp,
    out: impl Write,
    json: bool,
) -> Result<Summary, RehearsalError> {
    let reader = Reader::open(path, &config.rules)?;
    let mut rehearsal = Rehearsal::new(config, out, json);
    for line in reader.journal(Timestamp::UNIX_EPOCH)?.into_iter().filter(|line| line.at < since) {
        let mut entry = line.entry;
        entry.at.get_or_insert(line.at);
        rehearsal.event(Event { at: since, what: What::Journal { number: line.number, entry } })?;
    }
    let mut failed = Ok(());
    reader.events(since, until, |event| {
        if failed.is_ok() {
            failed = rehearsal.event(event);
        }
    })?;
    failed?;
    rehearsal.finish()
}

fn instant(at: Timestamp) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}
