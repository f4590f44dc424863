//! A drawn room under the engine's eyes: which letters came when, beside the plain rule's
//! and beside the hidden truth; and what was stated and forecast, beside what came.

use crate::asked::{self, Letter};
use crate::drawn::Drawn;
use crate::faults::Kind;
use crate::harm::{Harm, HarmWatch, Hazard, dry_if_not_watered, empty_if_not_filled};
use crate::plain::Plain;
use crate::running::Played;
use chrono::{TimeDelta, Timelike};
use std::sync::Arc;
use traywarden::demo::plan::TIME_ZONE;
use traywarden::engine::Engine;
use traywarden::engine::alarm::{AlarmKey, AlarmKind, AlarmState};
use traywarden::engine::event::{Effect, Event, LetterFacts, What};
use traywarden::reading::{Quantity, RawReading};
use traywarden::units::Timestamp;

/// From a letter to hands at the rack.
pub const COME_WITHIN: TimeDelta = TimeDelta::minutes(45);

/// A letter that was written.
#[derive(Clone, Debug)]
pub struct Written {
    pub at: Timestamp,
    pub what: Letter,
    pub about: Vec<AlarmKey>,
    /// The largest chance it gave, 0 to 1, and when the harm comes: early, likely, late.
    pub chance: f64,
    pub harm: Option<[Timestamp; 3]>,
}

impl Written {
    /// It names an alarm of one of these kinds.
    pub fn names(&self, kinds: &[AlarmKind]) -> bool {
        self.about.iter().any(|key| kinds.contains(&key.kind))
    }
}

/// What engine and plain rule held of one hazard at one moment.
#[derive(Clone, Copy, Debug)]
pub struct Stated {
    pub at: Timestamp,
    pub hazard: Hazard,
    pub ours: f64,
    pub plain: f64,
    /// The engine names something open that leads to it.
    pub named: bool,
    /// It is the evening's, for the score told once a day.
    pub evening: bool,
    pub next_round: Timestamp,
}

/// An interval that was printed, and the truth if nobody had acted.
#[derive(Clone, Copy, Debug)]
pub struct Forecast {
    pub at: Timestamp,
    pub early: Timestamp,
    /// `None`: not said.
    pub late: Option<Timestamp>,
    /// `None`: not before `looked_until`.
    pub truth: Option<Timestamp>,
    pub looked_until: Timestamp,
}

/// What was told of a room.
#[derive(Default)]
pub struct Reported {
    pub letters: Vec<Written>,
    /// Alarms raised, with what was said of them.
    pub raised: Vec<(Timestamp, AlarmKey, String)>,
    /// Letters of the plain rule.
    pub plain: Vec<(Timestamp, crate::plain::Crossed)>,
    /// All harm that came.
    pub harms: Vec<Harm>,
    pub stated: Vec<Stated>,
    pub tank_forecasts: Vec<Forecast>,
    pub dry_forecasts: Vec<Forecast>,
    /// Days watched.
    pub days: f64,
    /// Entries the engine refused.
    pub refused: Vec<String>,
}

/// How far a forecast is followed.
const LOOK_AHEAD: TimeDelta = TimeDelta::days(5);

/// A forecast further off than this is not judged: nobody plans by it.
const NEAR: TimeDelta = TimeDelta::days(2);

/// Lets the engine and the plain rule watch a drawn room.
pub fn watch(drawn: &Drawn) -> Reported {
    watch_and(drawn, |_, _| ())
}

/// The same, and shows every letter as it is decided.
pub fn watch_and(drawn: &Drawn, mut shows: impl FnMut(&Engine, &LetterFacts)) -> Reported {
    let story = &drawn.room.story;
    let mut engine = Engine::new(Arc::new(drawn.room.config.rules.clone()), story.starts_at);
    let mut plain = Plain::default();
    let mut harm = HarmWatch::default();
    let mut reported = Reported { days: story.span.num_hours() as f64 / 24.0, ..Reported::default() };
    drawn.room.play(|played| match played {
        Played::Event(event) => {
            let swapped = drawn.fault.is_some_and(|fault| fault.kind == Kind::SwappedUnits && event.at >= fault.from);
            let event = if swapped { in_fahrenheit(event, &engine) } else { event };
            let at = event.at;
            for effect in engine.handle(event) {
                match effect {
                    Effect::Judged(judgement) => plain.judged(at, &engine, &judgement),
                    Effect::Alarm(change)
                        if change.before == AlarmState::Normal && change.state == AlarmState::Unacknowledged =>
                    {
                        let what = format!("{:?} {:?}", change.priority, change.evidence);
                        reported.raised.push((change.at, change.key, what));
                    }
                    Effect::Letter(facts) => {
                        shows(&engine, &facts);
                        let (what, about) = (asked::letter(&facts), asked::about(&facts));
                        let (chance, harm) = asked::chance(&facts);
                        reported.letters.push(Written { at: facts.at, what, about, chance, harm });
                    }
                    Effect::EntryRefused { why, .. } => reported.refused.push(format!("{why:?}")),
                    _ => {}
                }
            }
        }
        Played::Minute(truth, room) => {
            harm.minute(drawn, truth, room.lots());
            plain.minute(truth.at);
            if truth.at.timestamp() % 600 == 0 {
                plain.look_up(&engine);
            }
            let local = truth.at.with_timezone(&TIME_ZONE);
            let evening = local.hour() == 21;
            let settled = truth.at - story.starts_at > TimeDelta::days(2);
            if local.minute() == 0 && (local.hour() % 3 == 2 || evening) && settled {
                let snapshot = engine.snapshot();
                reported.stated.extend(Hazard::STATED.map(|hazard| Stated {
                    at: truth.at,
                    hazard,
                    ours: asked::stated_chance(&snapshot, hazard),
                    plain: plain.chance(hazard),
                    named: asked::names(&snapshot, hazard),
                    evening,
                    next_round: snapshot.next_round,
                }));
                // Looking ahead costs, so not every time.
                if evening || [5, 14].contains(&local.hour()) {
                    let looked_until = truth.at + LOOK_AHEAD;
                    // When the season ends nobody waters any more, and no tank runs dry.
                    let played_until = looked_until.min(story.starts_at + story.span);
                    let near = |early: Timestamp| early - truth.at < NEAR;
                    let tank = asked::tank_empty(&snapshot).filter(|(early, _)| near(*early));
                    reported.tank_forecasts.extend(tank.map(|(early, late)| Forecast {
                        at: truth.at,
                        early,
                        late: Some(late),
                        truth: empty_if_not_filled(room, drawn, played_until - truth.at),
                        looked_until: played_until,
                    }));
                    let mut dry = asked::dry_out(&snapshot);
                    dry.retain(|_, (early, _)| near(*early));
                    if !dry.is_empty() {
                        let truths = dry_if_not_watered(room, drawn, LOOK_AHEAD);
                        reported.dry_forecasts.extend(dry.into_iter().map(|(place, (early, late))| Forecast {
                            at: truth.at,
                            early,
                            late,
                            truth: truths.get(&place).copied(),
                            looked_until,
                        }));
                    }
                }
            }
        }
    });
    reported.plain = plain.letters;
    reported.harms = harm.harms;
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
pub enum FaultOutcome {
    /// A fitting letter came; hours before harm, if there was harm.
    Caught(Option<f64>),
    /// Harm came first, or nobody was told in time.
    Missed,
    /// No harm came, and nobody was told: there was nothing to tell.
    Harmless,
}

/// Judges by the first fitting letter of an engine or a rule.
pub fn outcome(kind: Kind, from: Timestamp, first: Option<Timestamp>, harm: Option<Timestamp>) -> FaultOutcome {
    let limit = kind.told_within().map(|hours| from + TimeDelta::hours(hours));
    let lead = |harm: Timestamp, reported: Timestamp| (harm - reported).num_minutes() as f64 / 60.0;
    match (first, limit, harm) {
        (Some(reported), Some(limit), _) if reported <= limit => FaultOutcome::Caught(None),
        (_, Some(_), _) => FaultOutcome::Missed,
        (Some(reported), None, Some(harm)) if reported <= harm => FaultOutcome::Caught(Some(lead(harm, reported))),
        (Some(_), None, None) => FaultOutcome::Caught(None),
        (None, None, None) => FaultOutcome::Harmless,
        (_, None, Some(_)) => FaultOutcome::Missed,
    }
}

impl Reported {
    /// The first letter or digest that names a fitting alarm, from a moment on.
    pub fn first_fitting(&self, fits: &[AlarmKind], from: Timestamp) -> Option<Timestamp> {
        self.letters.iter().find(|letter| letter.at >= from && letter.names(fits)).map(|letter| letter.at)
    }

    /// The first letter of the plain rule that would do.
    pub fn first_plain(&self, fits: &[AlarmKind], from: Timestamp) -> Option<Timestamp> {
        let fitting =
            self.plain.iter().filter(|(at, crossed)| *at >= from && fits.iter().any(|kind| crossed.speaks_of(*kind)));
        fitting.map(|(at, _)| *at).min()
    }

    /// Letters somebody had to open: all but the daily digest.
    pub fn opened(&self) -> usize {
        self.letters.iter().filter(|letter| letter.what != Letter::Digest).count()
    }

    /// Letters that called.
    pub fn calls(&self) -> impl Iterator<Item = &Written> {
        self.letters.iter().filter(|letter| letter.what == Letter::Call)
    }

    /// The first harm of the hazards that such alarms warn of, from a moment on.
    pub fn harm_of(&self, kinds: &[AlarmKind], from: Timestamp) -> Option<Harm> {
        let fits = |harm: &&Harm| harm.from >= from && kinds.iter().any(|kind| harm.hazard.is_among(Hazard::of(*kind)));
        self.harms.iter().find(fits).copied()
    }

    /// Harm of one of these hazards goes on at a moment, or begins between it and another.
    pub fn harms_between(&self, hazards: &[Hazard], from: Timestamp, until: Timestamp) -> bool {
        let touches = |harm: &Harm| harm.from <= until && harm.until.is_none_or(|over| over >= from);
        self.harms.iter().any(|harm| harm.hazard.is_among(hazards) && touches(harm))
    }
}
