//! From "heard" to "to be written, to be told": pure. No clock, socket, file or
//! randomness; time comes in with each event, effects come out as values. Live
//! running, start-up, rehearsal and simulation are this one function over events.
//!
//! Once a minute of its own time the engine judges everything it watches; between
//! minutes it only takes readings in. A tick therefore makes nothing different, and
//! [`Engine::handle`] lets every deadline up to an event pass first, each at its own time.

#![no_std]

extern crate alloc;
#[cfg(test)]
#[macro_use]
extern crate std;

pub mod units;
pub mod reading;
pub mod journal;
mod float;
pub mod air;
pub mod alarm;
pub mod band;
pub mod calibration;
pub mod climate;
pub mod condensation;
pub mod crop;
pub mod digest;
pub mod drift;
mod entries;
pub mod event;
mod following;
pub mod gathered;
pub mod fault_codes;
pub mod leaves;
pub mod letters;
pub mod medium;
mod minute;
mod place;
pub mod qartod;
pub mod quality;
pub mod risk;
pub mod rules;
pub mod saturation;
pub mod silence;
pub mod slope;
pub mod snapshot;
mod sowing;
pub mod stand;
pub mod stillness;
pub mod tank;
mod telling;
pub mod thermal;
pub mod tray;
pub mod trays;
pub mod waking;
pub mod watering;
pub mod window;
mod writing;

use crate::reading::{ChannelId, Flag, RawReading, SensorId};
use crate::units::{Celsius, Timestamp};
use alarm::cycle::{Alarm, Condition, Moment};
use alarm::register::Register;
use alarm::{AlarmChange, AlarmKey, AlarmKind, Evidence};
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec;
use alloc::vec::Vec;
use chrono::TimeDelta;
use drift::DriftWatch;
use event::{Doubt, Effect, Event, What};
use leaves::LeavesWatch;
use letters::Correspondence;
use medium::MediumWatch;
use place::PlaceWatch;
use quality::Judge;
use rules::Rules;
use silence::SensorWatch;
use tank::TankWatch;
use thermal::ThermalClocks;
use tray::Trays;
use watering::WateringWatch;
use window::Minutes;

/// The warmth of the air is taken out of an echo by a temperature no older than this (or two
/// and a half intervals of that sensor): in half an hour a room changes by a degree or two,
/// less than a millimetre of 40 cm each. Own default.
const ECHO_AIR_KEEPS: TimeDelta = TimeDelta::minutes(30);

/// Everything known, as a fold over events.
#[derive(Clone, Debug)]
pub struct Engine {
    rules: Arc<Rules>,
    now: Timestamp,
    wake_at: Timestamp,
    next_minute: Timestamp,
    next_digest: Timestamp,
    next_round_letter: Timestamp,
    next_round: Timestamp,
    digest_from: Timestamp,
    judges: Vec<Judge>,
    minutes: Vec<Minutes>,
    sensors: Vec<SensorWatch>,
    places: Vec<PlaceWatch>,
    tanks: Vec<TankWatch>,
    waterings: Vec<WateringWatch>,
    sisters: Vec<DriftWatch>,
    trays: Trays,
    leaves: LeavesWatch,
    medium: MediumWatch,
    /// When leaves and medium were last looked at.
    looked_at: Option<Timestamp>,
    warmth: ThermalClocks,
    demands_stale: bool,
    alarms: Register,
    letters: Correspondence,
    raised_today: BTreeMap<AlarmKey, AlarmChange>,
    site: SiteWatch,
}

/// What concerns the whole site.
#[derive(Clone, Debug, Default)]
struct SiteWatch {
    broker_lost_at: Option<Timestamp>,
    mail_failing_since: Option<Timestamp>,
    mail_waiting: BTreeMap<String, String>,
    store_error: Option<String>,
    clock_step: Option<TimeDelta>,
    unwatched: TimeDelta,
    strays: u32,
}

impl Engine {
    /// An engine that knows nothing yet and begins at `at`.
    pub fn new(rules: Arc<Rules>, at: Timestamp) -> Self {
        let channels = (0..rules.channels.len()).map(|index| ChannelId(index as u16));
        let sensors = rules.sensors.iter().enumerate();
        let zone = rules.site.time_zone;
        let mut engine = Engine {
            now: at,
            wake_at: at,
            next_minute: next_minute(at),
            next_digest: waking::next_local(zone, rules.site.digest_at, at),
            next_round: waking::next_round(&rules.site, at),
            next_round_letter: at,
            digest_from: at,
            judges: channels.clone().map(|channel| Judge::new(&rules, channel)).collect(),
            minutes: channels.map(|channel| Minutes::new(&rules, channel)).collect(),
            sensors: sensors
                .map(|(index, sensor)| SensorWatch::new(SensorId(index as u16), sensor.silent_after, at))
                .collect(),
            places: place::watches(&rules),
            tanks: rules
                .reservoirs
                .iter()
                .map(|reservoir| TankWatch::new(reservoir, rules.channel(reservoir.channel), at))
                .collect(),
            waterings: vec![WateringWatch::default(); rules.reservoirs.len()],
            sisters: drift::watches(&rules),
            trays: Trays::default(),
            leaves: LeavesWatch::default(),
            medium: MediumWatch::default(),
            looked_at: None,
            warmth: ThermalClocks::default(),
            demands_stale: true,
            alarms: Register::default(),
            letters: Correspondence::default(),
            raised_today: BTreeMap::new(),
            site: SiteWatch::default(),
            rules,
        };
        engine.next_round_letter = engine.round_letter_after(at);
        engine.set_wake();
        engine
    }

    /// What it obeys.
    pub fn rules(&self) -> &Arc<Rules> {
        &self.rules
    }

    /// The trays it knows.
    pub fn trays(&self) -> &Trays {
        &self.trays
    }

    /// The time of the newest event or deadline.
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// When to come back with a `Tick` if nothing else happens first.
    pub fn next_deadline(&self) -> Timestamp {
        self.wake_at
    }

    /// Fires every deadline up to `event.at`, each at its own time, then takes the event in.
    pub fn handle(&mut self, event: Event) -> Vec<Effect> {
        let mut effects = Vec::new();
        match event.what {
            What::Started => {
                self.unwatched(event.at);
                self.begin_again(event.at, &mut effects);
            }
            What::ClockStepped { by } => {
                self.begin_again(event.at.max(self.now), &mut effects);
                self.clock_stepped(by, &mut effects);
            }
            what => {
                while self.wake_at <= event.at {
                    let due = self.wake_at;
                    self.fire(due, &mut effects);
                    self.set_wake();
                }
                self.now = self.now.max(event.at);
                self.take(what, &mut effects);
            }
        }
        effects
    }

    fn take(&mut self, what: What, effects: &mut Vec<Effect>) {
        match what {
            // By far the commonest; it moves no deadline.
            What::Reading(raw) => return self.reading(raw, effects),
            What::NoValue(sensor) => self.sensors[usize::from(sensor.0)].refused(self.now, "no-value"),
            What::Garbled { sensor: Some(sensor), reason } => {
                self.sensors[usize::from(sensor.0)].refused(self.now, reason.word());
            }
            What::Garbled { sensor: None, .. } => self.site.strays = self.site.strays.saturating_add(1),
            What::Journal { number, entry } => self.journal(number, &entry, effects),
            What::Command(command) => self.command(command, effects),
            What::BrokerUp => {
                if let Some(lost) = self.site.broker_lost_at.take() {
                    self.site.unwatched += self.now - lost;
                    for sensor in &mut self.sensors {
                        sensor.listen_from(self.now);
                    }
                }
            }
            What::BrokerDown => {
                self.site.broker_lost_at.get_or_insert(self.now);
            }
            What::LetterSent { letter } => {
                self.site.mail_waiting.remove(&letter);
                self.site.mail_failing_since = None;
            }
            What::LetterFailed { letter, error } => {
                self.site.mail_waiting.insert(letter, error);
                self.site.mail_failing_since.get_or_insert(self.now);
            }
            What::StoreFailed { error } => self.site.store_error = Some(error),
            What::StoreRecovered => self.site.store_error = None,
            What::Started | What::ClockStepped { .. } | What::Tick => {}
        }
        self.set_wake();
    }

    fn reading(&mut self, raw: RawReading, effects: &mut Vec<Effect>) {
        let index = usize::from(raw.channel.0);
        let air = self.air_of_echo(raw.channel);
        let Some(judge) = self.judges.get_mut(index) else {
            return;
        };
        judge.hear_air(air);
        let judgement = judge.judge(self.now, raw);
        if judgement.reason == Some(Doubt::FaultCode) {
            self.frame_broke(raw.channel);
        }
        let sensor = &mut self.sensors[usize::from(self.rules.channel(raw.channel).sensor.0)];
        match (judgement.believed, judgement.reason) {
            (Some(_), Some(Doubt::Late)) => sensor.spoke(self.now),
            (Some(reading), _) => {
                sensor.believed(self.now);
                self.minutes[index].take(self.now, &reading);
            }
            // Retained or repeated: says nothing about the present, not even that it lives.
            (None, Some(Doubt::Retained | Doubt::Duplicate)) => {}
            (None, reason) => {
                if judgement.flag != Flag::Good {
                    sensor.refused(self.now, reason.map_or("range", Doubt::word));
                }
            }
        }
        effects.push(Effect::Judged(judgement));
    }

    /// How warm the air is that a gauge's echo goes through, where it is to be corrected.
    fn air_of_echo(&self, gauge: ChannelId) -> Option<Celsius> {
        let channel = self.rules.channels.get(usize::from(gauge.0))?;
        let reservoir = self.rules.sensor(channel.sensor).reservoir?;
        let echo = self.rules.reservoir(reservoir).echo?;
        let every = self.rules.sensor(self.rules.channel(echo.air).sensor).every;
        let keeps = ECHO_AIR_KEEPS.max(every * 5 / 2);
        self.minutes[usize::from(echo.air.0)].within(self.now, keeps).map(Celsius)
    }

    /// The rest of a message in which one value was a fault code is no measurement either.
    fn frame_broke(&mut self, part: ChannelId) {
        let sensor = self.rules.channel(part).sensor;
        for (channel, judge) in self.rules.channels.iter().zip(&mut self.judges) {
            if channel.sensor == sensor {
                judge.frame_broke(self.now);
            }
        }
    }

    fn fire(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        self.now = at;
        if at >= self.next_round {
            self.next_round = waking::next_round(&self.rules.site, at);
        }
        if at >= self.next_minute {
            self.minute(effects);
            self.next_minute = next_minute(at);
        }
        self.fire_alarms(effects);
        while let Some(draft) = self.letters.take_due(at) {
            self.write(draft, effects);
        }
        if at >= self.next_round_letter {
            self.write_before_round(effects);
            self.next_round_letter = self.round_letter_after(at);
        }
        if at >= self.next_digest {
            self.write_digest(false, effects);
            self.next_digest = waking::next_local(self.rules.site.time_zone, self.rules.site.digest_at, at);
        }
    }

    /// Nobody watched between the last event and `at`.
    fn unwatched(&mut self, at: Timestamp) {
        self.site.unwatched += (at - self.now).max(TimeDelta::zero());
    }

    /// Time has passed without anybody watching, or was set: what was pending must show
    /// itself again, and the only thing that is made up for is the digest.
    fn begin_again(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        self.now = at.max(self.now);
        let at = self.now;
        for sensor in &mut self.sensors {
            sensor.listen_from(at);
        }
        for alarm in self.alarms.iter_mut() {
            alarm.interrupt();
        }
        self.next_minute = next_minute(at);
        self.next_round = waking::next_round(&self.rules.site, at);
        self.next_round_letter = self.round_letter_after(at);
        if self.next_digest <= at {
            self.write_digest(true, effects);
            self.next_digest = waking::next_local(self.rules.site.time_zone, self.rules.site.digest_at, at);
        }
        self.set_wake();
    }

    fn clock_stepped(&mut self, by: TimeDelta, effects: &mut Vec<Effect>) {
        if by.abs() < TimeDelta::minutes(5) {
            return;
        }
        self.site.clock_step = Some(by);
        let condition = Condition::Present { harm: None, evidence: Evidence::Clock { by } };
        self.observe(AlarmKind::ClockStepped, "site", condition, effects);
        self.set_wake();
    }

    fn moment(&self) -> Moment {
        let next_round =
            if self.now < self.next_round { self.next_round } else { waking::next_round(&self.rules.site, self.now) };
        Moment { at: self.now, next_round }
    }

    fn round_letter_after(&self, at: Timestamp) -> Timestamp {
        let before = self.rules.site.round_letter_before;
        waking::next_round(&self.rules.site, at + before) - before
    }

    fn set_wake(&mut self) {
        let alarms = self.alarms.iter().filter_map(Alarm::deadline).min();
        let own = self.next_minute.min(self.next_digest).min(self.next_round_letter);
        self.wake_at = [alarms, self.letters.deadline()].into_iter().flatten().fold(own, Timestamp::min);
    }
}

fn next_minute(at: Timestamp) -> Timestamp {
    let seconds = (at.timestamp().div_euclid(60) + 1) * 60;
    Timestamp::from_timestamp(seconds, 0).unwrap_or(at + TimeDelta::minutes(1))
}
