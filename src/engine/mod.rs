//! From "heard" to "to be written, to be told": pure. No clock, socket, file or
//! randomness; time comes in with each event, effects come out as values. Live
//! running, start-up, rehearsal and simulation are this one function over events.
//!
//! Once a minute of its own time the engine judges everything it watches; between
//! minutes it only takes readings in. A tick therefore makes nothing different, and
//! [`Engine::handle`] lets every deadline up to an event pass first, each at its own time.

pub mod air;
pub mod alarm;
pub mod band;
pub mod calibration;
pub mod climate;
pub mod condensation;
pub mod crop;
pub mod digest;
pub mod drift;
pub mod event;
pub mod gathered;
pub mod fault_codes;
pub mod leaves;
pub mod letters;
mod minute;
pub mod qartod;
pub mod quality;
pub mod risk;
pub mod rules;
pub mod saturation;
pub mod silence;
pub mod slope;
pub mod snapshot;
mod sowing;
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

use crate::journal::Entry;
use crate::reading::{ChannelId, Flag, Quantity, RawReading, SensorId};
use crate::units::{Celsius, Timestamp};
use air::{Air, AirWatch};
use alarm::cycle::{Alarm, Condition, Hold, LONGEST_SHELF, Moment, Transition};
use alarm::register::Register;
use alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Evidence, Priority};
use band::Demand;
use chrono::TimeDelta;
use digest::PlaceTally;
use drift::DriftWatch;
use event::{Command, Doubt, Effect, Event, Occasion, What};
use leaves::LeavesWatch;
use letters::Correspondence;
use quality::Judge;
use rules::{PlaceId, Rules};
use silence::SensorWatch;
use std::collections::BTreeMap;
use std::sync::Arc;
use tank::TankWatch;
use thermal::ThermalClocks;
use tray::{Logged, Trays};
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
    warmth: ThermalClocks,
    demands_stale: bool,
    alarms: Register,
    letters: Correspondence,
    raised_today: BTreeMap<AlarmKey, AlarmChange>,
    site: SiteWatch,
}

/// The air of one place that has a sensor.
#[derive(Clone, Debug)]
struct PlaceWatch {
    place: PlaceId,
    served: Vec<PlaceId>,
    temperatures: Vec<ChannelId>,
    humidities: Vec<ChannelId>,
    /// Probes on surfaces, there and in the places it serves.
    surfaces: Vec<ChannelId>,
    /// The largest of its sensors': sisters of one make err alike.
    accuracy: climate::Accuracy,
    demand: Demand,
    air: Air,
    watch: AirWatch,
    day: PlaceTally,
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
            places: place_watches(&rules),
            tanks: rules
                .reservoirs
                .iter()
                .map(|reservoir| TankWatch::new(reservoir, rules.channel(reservoir.channel), at))
                .collect(),
            waterings: vec![WateringWatch::default(); rules.reservoirs.len()],
            sisters: drift::watches(&rules),
            trays: Trays::default(),
            leaves: LeavesWatch::default(),
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

    /// Takes in an entry that was told at `told_at`, before this engine began. Trays, cuts and
    /// waterings follow from it; a tank or leaves that were wet then are not wet now.
    pub fn remember(&mut self, told_at: Timestamp, number: i64, entry: &Entry) {
        if let Ok((_, logged)) = self.trays.take(&self.rules, told_at, number, entry) {
            self.demands_stale = true;
            if matches!(logged, Logged::Water { .. }) {
                self.logged(entry.at.unwrap_or(told_at), logged);
            }
        }
    }

    fn journal(&mut self, number: i64, entry: &Entry, effects: &mut Vec<Effect>) {
        match self.trays.take(&self.rules, self.now, number, entry) {
            Ok((mut note, logged)) => {
                self.demands_stale = true;
                self.logged(entry.at.unwrap_or(self.now), logged);
                note.extend(self.clashes());
                effects.push(Effect::EntryTaken { number, note });
            }
            Err(why) => effects.push(Effect::EntryRefused { number, why }),
        }
    }

    /// What an entry means for the watches over water and leaves.
    fn logged(&mut self, when: Timestamp, logged: Logged) {
        match logged {
            Logged::Refill { reservoir } => {
                let only_one = self.tanks.len() == 1;
                for (tank, known) in self.tanks.iter_mut().zip(&self.rules.reservoirs) {
                    if reservoir.as_ref().map_or(only_one, |id| *id == known.id) {
                        tank.refilled(self.now);
                    }
                }
            }
            Logged::Water { trays, ml } => {
                let stands: Vec<PlaceId> =
                    trays.iter().filter_map(|name| self.trays.get(name)).map(|tray| tray.place).collect();
                for (tank, known) in self.tanks.iter_mut().zip(&self.rules.reservoirs) {
                    if stands.iter().any(|place| known.feeds.contains(place)) {
                        tank.watered(self.now);
                    }
                }
                self.watch_for(when, &trays, ml);
                for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                    self.leaves.watered(tray, when, ml);
                }
            }
            Logged::Mist { trays } => {
                for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                    self.leaves.misted(tray);
                }
            }
            Logged::Nothing => {}
        }
    }

    /// A watering of the present, from the one tank that feeds its trays, should show there.
    fn watch_for(&mut self, when: Timestamp, trays: &[String], ml: Option<f64>) {
        if self.now - when > TimeDelta::minutes(30) {
            return;
        }
        for (watch, known) in self.waterings.iter_mut().zip(&self.rules.reservoirs) {
            let fed = |place: PlaceId| known.feeds.iter().any(|outer| tray::lies_in(&self.rules, place, *outer));
            let from_here: Vec<(String, u32)> = trays
                .iter()
                .filter_map(|name| self.trays.get(name))
                .filter(|tray| fed(tray.place))
                .map(|tray| (tray.name.clone(), tray.count))
                .collect();
            let told = from_here.iter().any(|(name, _)| {
                let place = self.trays.get(name).map(|tray| self.rules.place(tray.place).id.as_str());
                let standing = place.and_then(|id| self.alarms.find(AlarmKind::DryOut, id));
                self.leaves.is_doubted(name) && standing.is_some_and(Alarm::is_active)
            });
            if told {
                watch.believe();
                for (name, _) in &from_here {
                    self.leaves.believe(name);
                }
            } else if !from_here.is_empty() {
                watch.logged(self.now, &from_here, ml);
            }
        }
    }

    /// Places whose trays now ask for air that cannot be had together.
    fn clashes(&mut self) -> Vec<event::EntryNote> {
        let before: Vec<Option<String>> = self.places.iter().map(|place| place.demand.clash.clone()).collect();
        self.look_up_demands();
        let changed = self.places.iter().zip(before).filter(|(place, before)| place.demand.clash != *before);
        changed
            .filter_map(|(place, _)| {
                let tray = place.demand.clash.clone()?;
                Some(event::EntryNote::BandsClash { place: self.rules.place(place.place).id.clone(), tray })
            })
            .collect()
    }

    fn command(&mut self, command: Command, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let key = match &command {
            Command::Acknowledge { alarm, .. }
            | Command::Shelve { alarm, .. }
            | Command::Unshelve { alarm, .. }
            | Command::OutOfService { alarm, .. } => alarm.clone(),
        };
        let Some(alarm) = self.alarms.get_mut(&key) else {
            let why = format!("There is no alarm {} now; `alarms` lists those there are.", key.id());
            return effects.push(Effect::CommandRefused { why });
        };
        let before = alarm.state();
        let transition = match command {
            Command::Acknowledge { by, .. } => alarm.acknowledge(&by),
            Command::Shelve { by, until, .. } => {
                if until <= moment.at || until - moment.at > LONGEST_SHELF {
                    let why = "An alarm can be shelved for 24 hours at most, and its end must lie ahead.".to_owned();
                    return effects.push(Effect::CommandRefused { why });
                }
                Some(alarm.shelve(&by, until))
            }
            Command::Unshelve { by, .. } => alarm.unshelve(&by),
            Command::OutOfService { by, reason, .. } => Some(alarm.take_out(&by, &reason)),
        };
        match transition {
            Some(transition) => self.follow(&key, before, transition, effects),
            None => {
                let why = format!("Alarm {} is {} already; nothing changed.", key.id(), before.word());
                effects.push(Effect::CommandRefused { why });
            }
        }
    }

    /// Fires what is due at `at`: the minute first, so that holds end on fresh evidence.
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

    fn fire_alarms(&mut self, effects: &mut Vec<Effect>) {
        let due: Vec<AlarmKey> = self
            .alarms
            .iter()
            .filter(|alarm| alarm.deadline().is_some_and(|due| due <= self.now))
            .map(|alarm| alarm.key.clone())
            .collect();
        let moment = self.moment();
        for key in due {
            while let Some((before, transition)) = self.alarms.get_mut(&key).and_then(|alarm| {
                let before = alarm.state();
                alarm.on_deadline(moment).map(|transition| (before, transition))
            }) {
                self.follow(&key, before, transition, effects);
            }
        }
    }

    /// Hands a condition to its alarm, and follows what that makes of it.
    fn observe(&mut self, kind: AlarmKind, subject: &str, condition: Condition, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        if self.alarms.find(kind, subject).is_none() {
            if !matches!(condition, Condition::Present { .. }) {
                return;
            }
            let tuning = self.rules.alarms.get(&kind).copied().unwrap_or_default();
            if tuning.disabled {
                return;
            }
            let row = alarm::table::row(kind);
            let hold =
                Hold { on: tuning.on_delay.unwrap_or(row.on_delay), off: tuning.off_delay.unwrap_or(row.off_delay) };
            self.alarms.insert(Alarm::new(AlarmKey { kind, subject: subject.to_owned() }, hold));
        }
        let Some(alarm) = self.alarms.find_mut(kind, subject) else {
            return;
        };
        let before = alarm.state();
        if let Some(transition) = alarm.observe(moment, condition) {
            let key = alarm.key.clone();
            self.follow(&key, before, transition, effects);
        }
    }

    /// What a transition means for the store, the lamp and the letters.
    fn follow(&mut self, key: &AlarmKey, before: AlarmState, transition: Transition, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let Some(alarm) = self.alarms.get(key) else {
            return;
        };
        let Some(change) = alarm.change(moment, before) else {
            return;
        };
        let speaks = !matches!(change.state, AlarmState::Shelved | AlarmState::OutOfService);
        let speaks = speaks && !self.told_by_its_cause(key);
        let urgent = change.priority == Priority::Now && alarm.is_active() && speaks;
        match transition {
            Transition::Raised => {
                self.letters.new_episode(key);
                if key.kind == AlarmKind::ReservoirEmpty {
                    // Its cause has been told; "low" beside "empty" is noise.
                    let low = AlarmKey { kind: AlarmKind::ReservoirLow, subject: key.subject.clone() };
                    self.letters.answered(&low);
                }
                if urgent {
                    self.letters.raise(self.now, key, Occasion::Raised);
                }
            }
            Transition::CameBack if urgent && change.state == AlarmState::Unacknowledged => {
                self.letters.came_back(self.now, key);
            }
            Transition::Escalated if urgent => {
                let occasion = if self.letters.has_thread(key) { Occasion::Escalated } else { Occasion::Raised };
                self.letters.raise(self.now, key, occasion);
            }
            Transition::Returned if speaks => self.letters.returned(self.now, key),
            Transition::Acknowledged => self.letters.answered(key),
            Transition::Shelf if urgent => self.letters.raise(self.now, key, Occasion::Raised),
            Transition::Shelf => self.letters.answered(key),
            Transition::CameBack | Transition::Escalated | Transition::Returned => {}
        }
        if matches!(transition, Transition::Raised | Transition::CameBack | Transition::Escalated) {
            self.raised_today.insert(key.clone(), change.clone());
        } else if let Some(today) = self.raised_today.get_mut(key) {
            *today = change.clone();
        }
        effects.push(Effect::Alarm(change));
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

fn place_watches(rules: &Rules) -> Vec<PlaceWatch> {
    let channels = |place: PlaceId, quantity: Quantity| {
        let here = |channel: &rules::Channel| {
            let sensor = rules.sensor(channel.sensor);
            channel.quantity == quantity && sensor.place == Some(place) && sensor.surface.is_none()
        };
        let ids = rules.channels.iter().enumerate().filter(|(_, channel)| here(channel));
        ids.map(|(index, _)| ChannelId(index as u16)).collect::<Vec<_>>()
    };
    let surfaces = |served: &[PlaceId]| {
        let there = |channel: &rules::Channel| {
            let sensor = rules.sensor(channel.sensor);
            sensor.surface.is_some() && sensor.place.is_some_and(|place| served.contains(&place))
        };
        let ids = rules.channels.iter().enumerate().filter(|(_, channel)| there(channel));
        ids.map(|(index, _)| ChannelId(index as u16)).collect::<Vec<_>>()
    };
    let worst = |of: &[ChannelId], usual: f64| {
        of.iter().map(|id| rules.channel(*id).accuracy).reduce(f64::max).unwrap_or(usual)
    };
    (0..rules.places.len())
        .map(|index| PlaceId(index as u16))
        .map(|place| {
            let (temperatures, humidities) =
                (channels(place, Quantity::Temperature), channels(place, Quantity::Humidity));
            (place, band::served_by(rules, place), temperatures, humidities)
        })
        .map(|(place, served, temperatures, humidities)| PlaceWatch {
            place,
            surfaces: surfaces(&served),
            served,
            accuracy: climate::Accuracy {
                temperature: worst(&temperatures, climate::TEMPERATURE_ACCURACY),
                humidity: worst(&humidities, climate::HUMIDITY_ACCURACY),
            },
            temperatures,
            humidities,
            demand: Demand::default(),
            air: Air::default(),
            watch: AirWatch::default(),
            day: PlaceTally::default(),
        })
        .filter(|watch| !watch.temperatures.is_empty() || !watch.humidities.is_empty())
        .collect()
}
