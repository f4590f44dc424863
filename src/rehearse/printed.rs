//! A rehearsal as lines: one JSON object each, or lines for people.

use super::{RehearsalError, Rehearsed, Summary, Teller, instant};
use crate::engine::alarm::AlarmChange;
use crate::engine::event::LetterFacts;
use crate::engine::rules::Rules;
use crate::notify::wording;
use crate::units::Timestamp;
use serde::Serialize;
use std::io::Write;

/// Prints what it is told.
pub struct Printed<'a, W: Write> {
    rules: &'a Rules,
    out: W,
    json: bool,
}

impl<'a, W: Write> Printed<'a, W> {
    /// Prints to `out`: JSON objects, one a line, or lines for people.
    pub fn new(rules: &'a Rules, out: W, json: bool) -> Self {
        Printed { rules, out, json }
    }

    fn alarm(&mut self, change: &AlarmChange) -> Result<(), RehearsalError> {
        let text = wording::alarm_text(change, &self.rules.site);
        if self.json {
            return self.line(&PrintedAlarm {
                at: instant(change.at),
                event: "alarm",
                kind: change.key.kind.word(),
                subject: &change.key.subject,
                state: change.state.word(),
                priority: change.priority.word(),
                harm_from: change.harm.map(|harm| instant(harm.likely)),
                text,
            });
        }
        let at = self.local(change.at);
        writeln!(self.out, "{at}  {} ({}, {})", change.key.id(), change.state.word(), change.priority.word())?;
        writeln!(self.out, "                    {text}")?;
        Ok(())
    }

    fn letter(&mut self, facts: &LetterFacts) -> Result<(), RehearsalError> {
        let letter = wording::letter(facts, self.rules, Vec::new(), &wording::Answering::default());
        if self.json {
            return self.line(&PrintedLetter {
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

    fn local(&self, at: Timestamp) -> String {
        at.with_timezone(&self.rules.site.time_zone).format("%a %d %b %H:%M:%S").to_string()
    }

    fn line(&mut self, line: &impl Serialize) -> Result<(), RehearsalError> {
        serde_json::to_writer(&mut self.out, line).map_err(std::io::Error::from)?;
        self.out.write_all(b"\n")?;
        Ok(())
    }
}

impl<W: Write> Teller for Printed<'_, W> {
    fn reported(&mut self, reported: Rehearsed<'_>) -> Result<(), RehearsalError> {
        match reported {
            Rehearsed::Alarm(change) => self.alarm(change),
            Rehearsed::Letter(facts) => self.letter(facts),
            Rehearsed::Refused { number, why } => {
                if !self.json {
                    writeln!(
                        self.out,
                        "Journal entry {number} is refused: {}",
                        crate::notify::wording::entry_refused(why, self.rules.site.units)
                    )?;
                }
                Ok(())
            }
        }
    }

    fn ended(&mut self, summary: &Summary) -> Result<(), RehearsalError> {
        if self.json {
            self.line(summary)?;
        } else {
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
        Ok(())
    }
}

/// One change of state, as a line of output.
#[derive(Serialize)]
struct PrintedAlarm<'a> {
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
struct PrintedLetter {
    at: String,
    event: &'static str,
    letter: &'static str,
    subject: String,
    text: String,
}
