//! A drawn room under the engine's eyes: which letters came when, beside the plain rule's
//! and beside the moment of harm.

use crate::drawn::Drawn;
use crate::faults::{HarmWatch, Kind};
use crate::plain::Plain;
use crate::running::Played;
use chrono::TimeDelta;
use std::sync::Arc;
use traywarden::engine::Engine;
use traywarden::engine::alarm::{AlarmKey, AlarmKind, AlarmState};
use traywarden::engine::event::{Effect, Event, LetterKind, What};
use traywarden::reading::{Quantity, RawReading};
use traywarden::units::Timestamp;

/// What was told of a room.
#[derive(Default)]
pub struct Reported {
    /// Letters that name alarms, and which. A digest counts as telling, not as a letter.
    pub letters: Vec<(Timestamp, LetterKind, Vec<AlarmKey>)>,
    /// Alarms raised, with what was said of them.
    pub raised: Vec<(Timestamp, AlarmKey, String)>,
    /// Letters of the plain rule.
    pub plain: Vec<(Timestamp, crate::plain::Crossed)>,
    /// When harm began.
    pub harm: Option<Timestamp>,
    /// What the harm was.
    pub harm_was: String,
    /// Days watched.
    pub days: f64,
    /// Entries the engine refused.
    pub refused: Vec<String>,
}

/// Lets the engine and the plain rule watch a drawn room.
pub fn watch(drawn: &Drawn) -> Reported {
    let story = &drawn.room.story;
    let mut engine = Engine::new(Arc::new(drawn.room.config.rules.clone()), story.starts_at);
    let mut plain = Plain::default();
    let mut harm = HarmWatch::new();
    let mut reported = Reported { days: story.span.num_hours() as f64 / 24.0, ..Reported::default() };
    let mut away = false;
    let mut take = |event: Event, engine: &mut Engine, plain: &mut Plain| {
        let at = event.at;
        for effect in engine.handle(event) {
            match effect {
                Effect::Judged(judgement) => plain.judged(at, engine, &judgement),
                Effect::Alarm(change)
                    if change.before == AlarmState::Normal && change.state == AlarmState::Unacknowledged =>
                {
                    let what = format!("{:?} {:?}", change.priority, change.evidence);
                    reported.raised.push((change.at, change.key, what));
                }
                Effect::Letter(facts) => {
                    let mut keys: Vec<AlarmKey> = facts.alarms.iter().map(|(_, change)| change.key.clone()).collect();
                    if let Some(digest) = &facts.digest {
                        keys.extend(digest.alarms.iter().chain(&digest.standing).map(|change| change.key.clone()));
                    }
                    reported.letters.push((facts.at, facts.kind, keys));
                }
                Effect::EntryRefused { why, .. } => reported.refused.push(why),
                _ => {}
            }
        }
    };
    drawn.room.play(|played| match played {
        Played::Event(event) => {
            let broken = drawn.fault.filter(|fault| event.at >= fault.from);
            match broken.map(|fault| fault.kind) {
                Some(Kind::BrokerAway) => {
                    if !away {
                        away = true;
                        take(Event { at: event.at, what: What::BrokerDown }, &mut engine, &mut plain);
                    }
                    take(Event { at: event.at, what: What::Tick }, &mut engine, &mut plain);
                }
                Some(Kind::SwappedUnits) => take(in_fahrenheit(event, &engine), &mut engine, &mut plain),
                _ => take(event, &mut engine, &mut plain),
            }
        }
        Played::Minute(truth, lots) => {
            harm.minute(drawn, truth, lots);
            plain.minute(truth.at);
            if truth.at.timestamp() % 600 == 0 {
                plain.look_up(&engine);
            }
        }
    });
    reported.plain = plain.letters;
    (reported.harm, reported.harm_was) = harm.at.map_or((None, String::new()), |(at, was)| (Some(at), was));
    reported
}

/// The device of rack B was set to degrees Fahrenheit; the settings say Celsius.
fn in_fahrenheit(event: Event, engine: &Engine) -> Event {
    let What::Reading(raw) = &event.what else { return event };
    let channel = engine.rules().channel(raw.channel);
    if channel.quantity != Quantity::Temperature || engine.rules().sensor(channel.sensor).id != "rack-b-air" {
        return event;
    }
    let value = raw.value() * 9.0 / 5.0 + 32.0;
    let raw = RawReading::new(raw.channel, value, raw.measured_at, raw.retained).expect("a plain number");
    Event { at: event.at, what: What::Reading(raw) }
}

/// What became of one fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// A fitting letter came; hours before harm, if there was harm.
    Caught(Option<f64>),
    /// Harm came first, or nobody was told in time.
    Missed,
    /// No harm came, and nobody was told: there was nothing to tell.
    Harmless,
}

/// Judges by the first fitting letter of an engine or a rule.
pub fn outcome(kind: Kind, from: Timestamp, first: Option<Timestamp>, harm: Option<Timestamp>) -> Outcome {
    let limit = kind.told_within().map(|hours| from + TimeDelta::hours(hours));
    let lead = |harm: Timestamp, reported: Timestamp| (harm - reported).num_minutes() as f64 / 60.0;
    match (first, limit, harm) {
        (Some(reported), Some(limit), _) if reported <= limit => Outcome::Caught(None),
        (_, Some(_), _) => Outcome::Missed,
        (Some(reported), None, Some(harm)) if reported <= harm => Outcome::Caught(Some(lead(harm, reported))),
        (Some(_), None, None) => Outcome::Caught(None),
        (None, None, None) => Outcome::Harmless,
        (_, None, Some(_)) => Outcome::Missed,
    }
}

impl Reported {
    /// The first letter or digest that names a fitting alarm, from a moment on.
    pub fn first_fitting(&self, fits: &[AlarmKind], from: Timestamp) -> Option<Timestamp> {
        let fitting =
            self.letters.iter().filter(|(at, _, keys)| *at >= from && keys.iter().any(|key| fits.contains(&key.kind)));
        fitting.map(|(at, ..)| *at).min()
    }

    /// The first letter of the plain rule that would do.
    pub fn first_plain(&self, fits: &[AlarmKind], from: Timestamp) -> Option<Timestamp> {
        let fitting =
            self.plain.iter().filter(|(at, crossed)| *at >= from && fits.iter().any(|kind| crossed.speaks_of(*kind)));
        fitting.map(|(at, _)| *at).min()
    }

    /// Letters somebody had to open: alarm and round letters, not the daily digest.
    pub fn opened(&self) -> usize {
        self.letters.iter().filter(|(_, kind, _)| *kind != LetterKind::Digest).count()
    }
}
