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
pub mod crop;
pub mod digest;
pub mod drift;
pub mod leaves;
pub mod event;
pub mod letters;
pub mod qartod;
pub mod quality;
pub mod risk;
pub mod rules;
pub mod silence;
pub mod slope;
pub mod snapshot;
pub mod tank;
pub mod tray;
pub mod waking;
pub mod window;

use crate::journal::Entry;
use crate::reading::{ChannelId, Flag, Quantity, RawReading, SensorId};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use air::{Air, AirWatch};
use alarm::cycle::{Alarm, Condition, Hold, LONGEST_SHELF, Moment, Transition};
use alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Evidence, Harm, Priority};
use band::Demand;
use chrono::TimeDelta;
use digest::{DigestFacts, PlaceTally, ReservoirDay, SensorDay};
use drift::DriftWatch;
use event::{Command, Doubt, Effect, Event, LetterFacts, LetterKind, Occasion, What};
use leaves::{LeavesWatch, Stand};
use letters::{Correspondence, Draft};
use quality::Judge;
use rules::{PlaceId, Rules};
use silence::{SensorWatch, Surroundings};
use snapshot::{PlaceNow, SensorNow, Snapshot};
use std::collections::BTreeMap;
use std::sync::Arc;
use tank::{TankWatch, Use};
use tray::{Logged, Trays};
use window::Minutes;

/// Letters must have failed for this long before that is an alarm of its own. Own default.
const MAIL_FAILING_AFTER: TimeDelta = TimeDelta::minutes(30);
/// A gauge nobody hears: the tank is unseen. Own default.
const UNSEEN_TANK_HARM_AFTER: TimeDelta = TimeDelta::hours(12);
/// People whom a round letter told are in the room; what waited for them does not
/// become urgent while they are at it. Own default.
const ROUND_LASTS: TimeDelta = TimeDelta::hours(1);
/// Stages change by the hour, so demands are looked up anew this often, in minutes.
const DEMAND_EVERY: i64 = 10;

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
    sisters: Vec<DriftWatch>,
    trays: Trays,
    leaves: LeavesWatch,
    demands_stale: bool,
    alarms: BTreeMap<AlarmKey, Alarm>,
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
            tanks: rules.reservoirs.iter().map(|reservoir| TankWatch::new(reservoir, at)).collect(),
            sisters: drift::watches(&rules),
            trays: Trays::default(),
            leaves: LeavesWatch::default(),
            demands_stale: true,
            alarms: BTreeMap::new(),
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
        let Some(judge) = self.judges.get_mut(index) else {
            return;
        };
        let judgement = judge.judge(self.now, raw);
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
            .filter(|(_, alarm)| alarm.deadline().is_some_and(|due| due <= self.now))
            .map(|(key, _)| key.clone())
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

    /// One minute: means, then every watch, then what they say of every condition.
    fn minute(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        if self.demands_stale || at.timestamp().div_euclid(60).rem_euclid(DEMAND_EVERY) == 0 {
            self.look_up_demands();
        }
        let means: Vec<Option<f64>> = self.minutes.iter_mut().map(|minutes| minutes.end(at)).collect();
        self.judge_tanks(&means, effects);
        self.judge_sensors(effects);
        self.judge_sisters(effects);
        self.judge_places(effects);
        if at.timestamp().div_euclid(60).rem_euclid(DEMAND_EVERY) == 0 {
            self.judge_leaves(effects);
        }
        self.judge_trays(effects);
        self.judge_site(effects);
    }

    fn judge_places(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        for index in 0..self.places.len() {
            let place = &mut self.places[index];
            let rules = self.rules.place(place.place);
            place.air = Air {
                temperature: middle(&self.minutes, &place.temperatures, at),
                humidity: middle(&self.minutes, &place.humidities, at),
            };
            place.day.minute(place.air, &place.demand.band);
            let alarms = &self.alarms;
            let held = |kind| {
                let key = AlarmKey { kind, subject: rules.id.clone() };
                alarms.get(&key).is_some_and(Alarm::is_held)
            };
            let conditions = place.watch.minute(at, place.air, &place.demand, &rules.name, held);
            let subject = rules.id.clone();
            for (kind, condition) in conditions {
                self.observe(kind, &subject, condition, effects);
            }
        }
    }

    fn judge_leaves(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        self.leaves.keep(|name| self.trays.get(name).is_some());
        let hours = self.leaves.hours_since_look(at);
        for index in 0..self.places.len() {
            let place = &self.places[index];
            let rules = self.rules.place(place.place);
            let trays: Vec<&tray::Tray> =
                self.trays.growing().filter(|tray| place.served.contains(&tray.place)).collect();
            let stand = Stand {
                place: place.place.0,
                name: &rules.name,
                air: place.air,
                demand: &place.demand,
                trays: &trays,
                zone: self.rules.site.time_zone,
            };
            let alarms = &self.alarms;
            let held = |kind| {
                let key = AlarmKey { kind, subject: rules.id.clone() };
                alarms.get(&key).is_some_and(Alarm::is_held)
            };
            let conditions = self.leaves.look(at, hours, &stand, held);
            let subject = rules.id.clone();
            for (kind, condition) in conditions {
                self.observe(kind, &subject, condition, effects);
            }
        }
    }

    fn judge_tanks(&mut self, means: &[Option<f64>], effects: &mut Vec<Effect>) {
        let at = self.now;
        for index in 0..self.tanks.len() {
            let reservoir = &self.rules.reservoirs[index];
            let channel = usize::from(reservoir.channel.0);
            let trays = self.trays_on(&reservoir.feeds);
            let known = Use {
                trays: self.trays.any_sown().then_some(trays),
                places: reservoir.feeds.len(),
                flat_since: self.judges[channel].flat_since().map(|(since, _)| since),
                odd_after: self.judges[channel].odd_after(at),
            };
            let fresh = self.minutes[channel].fresh(at).is_some();
            let alarms = &self.alarms;
            let held = |kind| {
                let key = AlarmKey { kind, subject: reservoir.id.clone() };
                alarms.get(&key).is_some_and(Alarm::is_held)
            };
            let tank = &mut self.tanks[index];
            tank.minute(at, means[channel]);
            let conditions = tank.judge(at, &reservoir.name, reservoir.low_percent, known, fresh, held);
            let subject = reservoir.id.clone();
            for (kind, condition) in conditions {
                self.observe(kind, &subject, condition, effects);
            }
        }
    }

    fn judge_sensors(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let deaf = self.site.broker_lost_at.is_some();
        let rules = Arc::clone(&self.rules);
        for (index, sensor) in rules.sensors.iter().enumerate() {
            let id = SensorId(index as u16);
            let (place, blind, matters, harm) = match (sensor.place, sensor.reservoir) {
                (_, Some(reservoir)) => {
                    let feeds = &rules.reservoir(reservoir).feeds;
                    let matters = !self.trays.any_sown() || self.trays_on(feeds) > 0;
                    let unseen = self.sensors[index].last_believed().unwrap_or(at) + UNSEEN_TANK_HARM_AFTER;
                    let forecast = self.tanks[usize::from(reservoir.0)].forecast(at);
                    let harm = forecast.map_or(Harm { from: unseen, early: unseen }, |(from, early, _)| Harm {
                        from,
                        early: early.min(unseen.max(at)),
                    });
                    (rules.reservoir(reservoir).name.as_str(), true, matters, Some(harm))
                }
                (Some(place), _) => {
                    let seen = self.measured_by_another(place, id);
                    let empty = self.places.iter().find(|watch| watch.place == place).is_some_and(|p| p.demand.empty);
                    (rules.place(place).name.as_str(), !seen, !empty, None)
                }
                (None, None) => (sensor.id.as_str(), false, false, None),
            };
            let around = Surroundings { place, every: sensor.every, blind, matters, deaf, harm };
            let silence = self.sensors[index].silence(at, &around);
            let implausible = self.sensors[index].implausible(at, &around);
            let stuck = (sensor.reservoir.is_none()).then(|| self.stuck_air(id, &around));
            for (kind, condition) in [silence, implausible].into_iter().chain(stuck) {
                self.observe(kind, &sensor.id, condition, effects);
            }
        }
    }

    fn stuck_air(&self, sensor: SensorId, around: &Surroundings<'_>) -> (AlarmKind, Condition) {
        let judges: Vec<&Judge> = (self.rules.channels.iter().zip(&self.judges))
            .filter(|(channel, _)| channel.sensor == sensor)
            .map(|(_, judge)| judge)
            .collect();
        let condition = match silence::stuck_air(self.now, &judges) {
            Some((quantity, value, since)) => {
                // What it hides began when it froze.
                let hidden = since + silence::UNSEEN_HARM_AFTER.max(quality::STUCK_TOGETHER * 3);
                let harm = (around.blind && around.matters).then_some(Harm { from: hidden, early: hidden });
                let evidence = Evidence::Stuck { place: around.place.to_owned(), quantity, value };
                Condition::Present { harm, evidence }
            }
            None => Condition::Absent,
        };
        (AlarmKind::SensorStuck, condition)
    }

    /// A sensor with two sisters, or two quantities, has one alarm: the first pair that drifts.
    fn judge_sisters(&mut self, effects: &mut Vec<Effect>) {
        let rules = Arc::clone(&self.rules);
        let mut seen: BTreeMap<&str, (AlarmKind, Condition)> = BTreeMap::new();
        for index in 0..self.sisters.len() {
            let subject = self.sisters[index].subject(&rules);
            let key = AlarmKey { kind: AlarmKind::SensorDrift, subject: subject.to_owned() };
            let held = self.alarms.get(&key).is_some_and(Alarm::is_held);
            let judged = self.sisters[index].minute(&rules, &self.minutes, self.now, held);
            match seen.get(subject) {
                Some((_, Condition::Present { .. })) => {}
                Some(_) if judged.1 == Condition::Unknown => {}
                _ => {
                    seen.insert(subject, judged);
                }
            }
        }
        for (subject, (kind, condition)) in seen {
            self.observe(kind, subject, condition, effects);
        }
    }

    fn judge_trays(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let overdue: Vec<(String, Condition)> = self
            .trays
            .growing()
            .filter_map(|tray| {
                let due = tray.overdue(at)?;
                // A pale or moldy tray is lost about a day and a half after its plan. Own default.
                let from = due + TimeDelta::hours(36);
                let evidence = Evidence::Stage {
                    tray: tray.name.clone(),
                    place: self.rules.place(tray.place).name.clone(),
                    crop: tray.crop.clone(),
                    stage: tray.stage(at),
                    due,
                };
                let harm = tray.stage(at).covered().then_some(Harm { from, early: from });
                Some((tray.name.clone(), Condition::Present { harm, evidence }))
            })
            .collect();
        let standing: Vec<String> = self
            .alarms
            .iter()
            .filter(|(key, alarm)| key.kind == AlarmKind::StageOverdue && alarm.is_held())
            .map(|(key, _)| key.subject.clone())
            .filter(|subject| !overdue.iter().any(|(tray, _)| tray == subject))
            .collect();
        for (tray, condition) in overdue {
            self.observe(AlarmKind::StageOverdue, &tray, condition, effects);
        }
        for tray in standing {
            self.observe(AlarmKind::StageOverdue, &tray, Condition::Absent, effects);
        }
    }

    fn judge_site(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let matters = self.places.iter().any(|place| !place.demand.empty) || self.places.is_empty();
        let broker = match self.site.broker_lost_at {
            Some(lost) => {
                let from = lost + silence::UNSEEN_HARM_AFTER;
                let harm = matters.then_some(Harm { from, early: from });
                Condition::Present { harm, evidence: Evidence::Broker }
            }
            None => Condition::Absent,
        };
        let mail = match self.site.mail_failing_since {
            Some(since) if at - since >= MAIL_FAILING_AFTER => Condition::Present {
                harm: Some(Harm { from: at, early: at }),
                evidence: Evidence::Mail {
                    waiting: self.site.mail_waiting.len() as u32,
                    error: self.site.mail_waiting.values().next().cloned().unwrap_or_default(),
                },
            },
            _ => Condition::Absent,
        };
        let store = match &self.site.store_error {
            Some(error) => {
                let from = at + TimeDelta::hours(24);
                let harm = Some(Harm { from, early: from });
                Condition::Present { harm, evidence: Evidence::Store { error: error.clone() } }
            }
            None => Condition::Absent,
        };
        self.site.clock_step = None;
        for (kind, condition) in [
            (AlarmKind::BrokerLost, broker),
            (AlarmKind::MailFailing, mail),
            (AlarmKind::StoreFailing, store),
            (AlarmKind::ClockStepped, Condition::Absent),
        ] {
            self.observe(kind, "site", condition, effects);
        }
    }

    /// Hands a condition to its alarm, and follows what that makes of it.
    fn observe(&mut self, kind: AlarmKind, subject: &str, condition: Condition, effects: &mut Vec<Effect>) {
        let present = matches!(condition, Condition::Present { .. });
        let tuning = self.rules.alarms.get(&kind).copied().unwrap_or_default();
        let key = AlarmKey { kind, subject: subject.to_owned() };
        if !self.alarms.contains_key(&key) {
            if !present || tuning.disabled {
                return;
            }
            let row = alarm::table::row(kind);
            let hold =
                Hold { on: tuning.on_delay.unwrap_or(row.on_delay), off: tuning.off_delay.unwrap_or(row.off_delay) };
            self.alarms.insert(key.clone(), Alarm::new(key.clone(), hold));
        }
        let moment = self.moment();
        let Some(alarm) = self.alarms.get_mut(&key) else {
            return;
        };
        let before = alarm.state();
        if let Some(transition) = alarm.observe(moment, condition) {
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

    fn write(&mut self, draft: Draft, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let mut alarms: Vec<(Occasion, AlarmChange)> = draft
            .about
            .iter()
            .filter_map(|(occasion, key)| {
                let alarm = self.alarms.get(key)?;
                Some((*occasion, alarm.change(moment, alarm.state())?))
            })
            .collect();
        alarms.sort_by_key(|(occasion, change)| {
            (*occasion == Occasion::Returned, change.priority, change.harm.map(|harm| harm.early))
        });
        if alarms.is_empty() {
            return;
        }
        effects.push(Effect::Letter(LetterFacts {
            id: draft.id,
            at: self.now,
            kind: draft.kind,
            answers: draft.answers,
            alarms,
            digest: None,
        }));
    }

    fn write_before_round(&mut self, effects: &mut Vec<Effect>) {
        let round = self.next_round;
        let standing: Vec<(AlarmKey, Timestamp, bool)> = self
            .alarms
            .iter()
            .filter(|(_, alarm)| alarm.is_active() && alarm.priority() != Priority::Digest)
            .filter(|(_, alarm)| !matches!(alarm.state(), AlarmState::Shelved | AlarmState::OutOfService))
            .filter(|(key, _)| !self.is_consequence(key))
            .map(|(key, alarm)| {
                let waits = alarm.priority() == Priority::NextRound && alarm.state() == AlarmState::Unacknowledged;
                (key.clone(), alarm.raised_at(), waits)
            })
            .collect();
        let keys: Vec<AlarmKey> = standing.iter().map(|(key, ..)| key.clone()).collect();
        if let Some(draft) = self.letters.before_round(self.now, standing) {
            for key in keys {
                if let Some(alarm) = self.alarms.get_mut(&key) {
                    alarm.escalate_not_before = Some(round + ROUND_LASTS);
                }
            }
            self.write(draft, effects);
        }
    }

    fn write_digest(&mut self, late: bool, effects: &mut Vec<Effect>) {
        let facts = self.digest_facts(late);
        let id = format!("digest-{}", facts.date);
        self.begin_day();
        effects.push(Effect::Letter(LetterFacts {
            id,
            at: self.now,
            kind: LetterKind::Digest,
            answers: None,
            alarms: Vec::new(),
            digest: Some(Box::new(facts)),
        }));
        self.told_by_digest(effects);
    }

    /// The digest as it would be written now; changes nothing.
    pub fn digest_facts(&self, late: bool) -> DigestFacts {
        let at = self.now;
        let date = at.with_timezone(&self.rules.site.time_zone).date_naive();
        let tomorrow = date.succ_opt().unwrap_or(date);
        let day_ends =
            waking::local_instant(self.rules.site.time_zone, tomorrow, chrono::NaiveTime::MIN) + TimeDelta::days(1);
        DigestFacts {
            date,
            from: self.digest_from,
            until: at,
            late,
            places: self.places.iter().map(|p| p.day.told(self.rules.place(p.place), &p.demand)).collect(),
            reservoirs: self.reservoirs_told(),
            trays: self.trays.growing().map(|tray| digest::tray_day(&self.rules, tray, at, day_ends)).collect(),
            alarms: {
                let mut alarms: Vec<AlarmChange> = self.raised_today.values().cloned().collect();
                alarms.sort_by_key(|change| change.since);
                alarms
            },
            standing: self.standing(|alarm| alarm.is_active()),
            sensors: self.sensors_told(),
            unwatched_hours: {
                let running = self.site.broker_lost_at.map_or(TimeDelta::zero(), |lost| at - lost);
                (self.site.unwatched + running).num_seconds() as f64 / 3600.0
            },
            strays: self.site.strays,
        }
    }

    fn begin_day(&mut self) {
        self.digest_from = self.now;
        self.raised_today.clear();
        self.site.unwatched = TimeDelta::zero();
        self.site.strays = 0;
        for place in &mut self.places {
            place.day = PlaceTally::default();
        }
        for tank in &mut self.tanks {
            tank.take_day();
        }
        for sensor in &mut self.sensors {
            sensor.day = silence::SensorTally::default();
        }
    }

    /// What was never urgent and is over has been told by the digest that lists it.
    fn told_by_digest(&mut self, effects: &mut Vec<Effect>) {
        let told: Vec<AlarmKey> = self
            .alarms
            .iter()
            .filter(|(key, alarm)| alarm.state() == AlarmState::ReturnedUnacknowledged && !self.letters.has_thread(key))
            .map(|(key, _)| key.clone())
            .collect();
        for key in told {
            if let Some(transition) = self.alarms.get_mut(&key).and_then(|alarm| alarm.acknowledge("the digest")) {
                self.follow(&key, AlarmState::ReturnedUnacknowledged, transition, effects);
            }
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
        for alarm in self.alarms.values_mut() {
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

    /// The room now.
    pub fn snapshot(&self) -> Snapshot {
        let at = self.now;
        Snapshot {
            at,
            next_round: self.next_round,
            places: self.places.iter().map(|place| self.place_now(place)).collect(),
            reservoirs: self.reservoirs_told(),
            sensors: self
                .sensors
                .iter()
                .zip(&self.rules.sensors)
                .map(|(watch, sensor)| SensorNow {
                    id: sensor.id.clone(),
                    place: self.place_name(sensor),
                    last_believed: watch.last_believed(),
                    silent: watch.is_silent(at),
                    refused: watch.day.refused.values().sum(),
                })
                .collect(),
            trays: {
                let until = at + TimeDelta::days(2);
                self.trays.growing().map(|tray| digest::tray_day(&self.rules, tray, at, until)).collect()
            },
            alarms: self.standing(|alarm| alarm.state() != AlarmState::Normal),
            broker_up: self.site.broker_lost_at.is_none(),
        }
    }

    fn place_now(&self, place: &PlaceWatch) -> PlaceNow {
        let rules = self.rules.place(place.place);
        let band = &place.demand.band;
        let both = place.air.temperature.zip(place.air.humidity);
        PlaceNow {
            id: rules.id.clone(),
            name: rules.name.clone(),
            temperature: place.air.temperature,
            humidity: place.air.humidity,
            deficit: place.air.deficit(),
            mold: place.air.temperature.and_then(|temperature| {
                let open = |tray: &&tray::Tray| place.served.contains(&tray.place) && tray.breathes_room_air(self.now);
                let trays: Vec<&tray::Tray> = self.trays.growing().filter(open).collect();
                self.leaves.pressure(&trays, Celsius(temperature))
            }),
            dew_point: both.and_then(|(t, rh)| climate::dew_point(Celsius(t), RelativeHumidity(rh))).map(|dew| dew.0),
            band: [band.temperature_min, band.temperature_max, band.humidity_min, band.humidity_max],
            trays: place.demand.trays.clone(),
            empty: place.demand.empty,
            clash: place.demand.clash.clone(),
        }
    }

    /// Damp air that somebody was written to about is the same trouble as the mold pressure
    /// it builds; a second letter in the same night would say nothing new to do.
    fn told_by_its_cause(&self, key: &AlarmKey) -> bool {
        let damp = AlarmKey { kind: AlarmKind::AirTooDamp, subject: key.subject.clone() };
        key.kind == AlarmKind::MoldPressure
            && self.letters.has_thread(&damp)
            && self.alarms.get(&damp).is_some_and(Alarm::is_active)
    }

    /// Its cause stands as an alarm of its own: an empty tank is also a low one.
    fn is_consequence(&self, key: &AlarmKey) -> bool {
        let empty = || AlarmKey { kind: AlarmKind::ReservoirEmpty, subject: key.subject.clone() };
        key.kind == AlarmKind::ReservoirLow && self.alarms.get(&empty()).is_some_and(Alarm::is_active)
    }

    fn standing(&self, which: impl Fn(&Alarm) -> bool) -> Vec<AlarmChange> {
        let moment = self.moment();
        let mut standing: Vec<AlarmChange> = self
            .alarms
            .values()
            .filter(|alarm| which(alarm) && !self.is_consequence(&alarm.key))
            .filter_map(|alarm| alarm.change(moment, alarm.state()))
            .collect();
        standing.sort_by_key(|change| (change.priority, change.harm.map(|harm| harm.early), change.since));
        standing
    }

    fn reservoirs_told(&self) -> Vec<ReservoirDay> {
        let told = |(tank, reservoir): (&TankWatch, &rules::Reservoir)| {
            let usable = tank.usable().map(|(_, litres)| litres);
            let (drawn, added) = tank.day();
            ReservoirDay {
                id: reservoir.id.clone(),
                name: reservoir.name.clone(),
                usable,
                percent: usable.map(|litres| litres / tank.usable_when_full() * 100.0),
                drawn,
                added,
                empty_at: tank.forecast(self.now),
            }
        };
        self.tanks.iter().zip(&self.rules.reservoirs).map(told).collect()
    }

    fn sensors_told(&self) -> Vec<SensorDay> {
        let told = |(watch, sensor): (&SensorWatch, &rules::Sensor)| {
            let mut reasons: Vec<(&'static str, u32)> =
                watch.day.refused.iter().map(|(word, count)| (*word, *count)).collect();
            reasons.sort_by_key(|(word, count)| (std::cmp::Reverse(*count), *word));
            SensorDay {
                id: sensor.id.clone(),
                place: self.place_name(sensor),
                believed: watch.day.believed,
                refused: watch.day.refused.values().sum(),
                reasons,
                silent_hours: f64::from(watch.day.silent_minutes) / 60.0,
            }
        };
        let mut days: Vec<SensorDay> = self.sensors.iter().zip(&self.rules.sensors).map(told).collect();
        days.retain(|day| day.refused > 0 || day.silent_hours > 0.0);
        days
    }

    fn place_name(&self, sensor: &rules::Sensor) -> String {
        match (sensor.place, sensor.reservoir) {
            (Some(place), _) => self.rules.place(place).name.clone(),
            (None, Some(reservoir)) => self.rules.reservoir(reservoir).name.clone(),
            (None, None) => sensor.id.clone(),
        }
    }

    fn trays_on(&self, feeds: &[PlaceId]) -> u32 {
        let fed = |place: PlaceId| feeds.iter().any(|outer| tray::lies_in(&self.rules, place, *outer));
        self.trays.growing().filter(|tray| fed(tray.place)).map(|tray| tray.count).sum()
    }

    fn measured_by_another(&self, place: PlaceId, sensor: SensorId) -> bool {
        let others = self.rules.channels.iter().zip(&self.minutes).filter(|(channel, _)| channel.sensor != sensor);
        let mut fresh = others
            .filter(|(channel, _)| self.rules.sensor(channel.sensor).place == Some(place))
            .filter(|(_, minutes)| minutes.fresh(self.now).is_some());
        fresh.next().is_some()
    }

    fn look_up_demands(&mut self) {
        self.demands_stale = false;
        for place in &mut self.places {
            place.demand = band::demand(&self.rules, place.place, &place.served, &self.trays, self.now);
        }
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
        let alarms = self.alarms.values().filter_map(Alarm::deadline).min();
        let own = self.next_minute.min(self.next_digest).min(self.next_round_letter);
        self.wake_at = [alarms, self.letters.deadline()].into_iter().flatten().fold(own, Timestamp::min);
    }
}

fn next_minute(at: Timestamp) -> Timestamp {
    let seconds = (at.timestamp().div_euclid(60) + 1) * 60;
    Timestamp::from_timestamp(seconds, 0).unwrap_or(at + TimeDelta::minutes(1))
}

/// The middle of what the sensors of a place say now.
fn middle(minutes: &[Minutes], channels: &[ChannelId], at: Timestamp) -> Option<f64> {
    let values: Vec<f64> = channels.iter().filter_map(|channel| minutes[usize::from(channel.0)].fresh(at)).collect();
    slope::median(&values)
}

fn place_watches(rules: &Rules) -> Vec<PlaceWatch> {
    let channels = |place: PlaceId, quantity: Quantity| {
        let here = |channel: &rules::Channel| {
            channel.quantity == quantity && rules.sensor(channel.sensor).place == Some(place)
        };
        let ids = rules.channels.iter().enumerate().filter(|(_, channel)| here(channel));
        ids.map(|(index, _)| ChannelId(index as u16)).collect::<Vec<_>>()
    };
    (0..rules.places.len())
        .map(|index| PlaceId(index as u16))
        .map(|place| PlaceWatch {
            place,
            served: band::served_by(rules, place),
            temperatures: channels(place, Quantity::Temperature),
            humidities: channels(place, Quantity::Humidity),
            demand: Demand::default(),
            air: Air::default(),
            watch: AirWatch::default(),
            day: PlaceTally::default(),
        })
        .filter(|watch| !watch.temperatures.is_empty() || !watch.humidities.is_empty())
        .collect()
}
