//! One minute judged: means, then every watch, then what they say of every condition.
//! Each watch does its own sums; here is only who is asked, in which order, about what.

use super::air::Air;
use super::alarm::cycle::Condition;
use super::alarm::{AlarmKind, Evidence, Harm};
use super::condensation::Probe;
use super::event::Effect;
use super::quality::Judge;
use super::rules::{PlaceId, Reservoir, Rules};
use super::saturation::Pinned;
use super::silence::Surroundings;
use super::stand::Stand;
use super::tank::Use;
use super::watering::Showed;
use super::window::Minutes;
use super::writing::ROUND_LASTS;
use super::{Engine, band, quality, silence, slope, tray, waking};
use crate::reading::{ChannelId, SensorId};
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Letters must have failed for this long before that is an alarm of its own. Own default.
const MAIL_FAILING_AFTER: TimeDelta = TimeDelta::minutes(30);
/// A gauge nobody hears: the tank is unseen. Own default.
const UNSEEN_TANK_HARM_AFTER: TimeDelta = TimeDelta::hours(12);
/// Stages change by the hour, so demands are looked up anew this often, in minutes.
const DEMAND_EVERY: i64 = 10;

impl Engine {
    /// One minute: means, then every watch, then what they say of every condition.
    pub(super) fn minute(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        if self.demands_stale || at.timestamp().div_euclid(60).rem_euclid(DEMAND_EVERY) == 0 {
            self.look_up_demands();
        }
        let means: Vec<Option<f64>> = self.minutes.iter_mut().map(|minutes| minutes.end(at)).collect();
        self.judge_tanks(&means, effects);
        self.judge_waterings();
        self.judge_sensors(effects);
        self.judge_sisters(effects);
        self.judge_places(effects);
        if at.timestamp().div_euclid(60).rem_euclid(DEMAND_EVERY) == 0 {
            self.judge_leaves(effects);
            self.count_warmth();
        }
        self.judge_trays(effects);
        self.judge_site(effects);
    }

    pub(super) fn judge_places(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let site = Arc::clone(&self.rules);
        for index in 0..self.places.len() {
            let place = &mut self.places[index];
            let rules = site.place(place.place);
            place.air = Air {
                temperature: middle(&self.minutes, &place.temperatures, at),
                humidity: middle(&self.minutes, &place.humidities, at),
                accuracy: place.accuracy,
                at_least: place.humidities.iter().any(|id| self.judges[usize::from(id.0)].pinned(at).at_top()),
            };
            place.day.minute(place.air, &place.demand.band);
            if !place.surfaces.is_empty() {
                for probe in probes(&site, &self.minutes, &place.surfaces, at) {
                    if let Some(surface) = probe.surface(&place.air) {
                        place.day.surface(probe.on, &surface);
                    }
                }
            }
            let alarms = &self.alarms;
            let held = |kind| alarms.is_held(kind, &rules.id);
            let conditions = place.watch.minute(at, place.air, &place.demand, &rules.name, held);
            for (kind, mut condition) in conditions {
                let water = self.medium.dry_air_harms(self.places[index].place.0);
                if let (AlarmKind::AirTooDry, Condition::Present { harm, .. }, Some(lasts)) =
                    (kind, &mut condition, water)
                {
                    *harm = lasts;
                }
                self.observe(kind, &rules.id, condition, effects);
            }
        }
    }

    /// Lets the minutes since the last count pass over every tray whose air is known.
    fn count_warmth(&mut self) {
        const HOURS: f64 = DEMAND_EVERY as f64 / 60.0;
        for place in &self.places {
            let Some(temperature) = place.air.temperature else { continue };
            for tray in self.trays.growing().filter(|tray| place.served.contains(&tray.place)) {
                self.warmth.pass(tray, self.now, HOURS, temperature);
            }
        }
        self.warmth.forget(self.now);
    }

    pub(super) fn judge_leaves(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let site = Arc::clone(&self.rules);
        self.leaves.keep(|name| self.trays.get(name).is_some());
        self.medium.keep(|name| self.trays.get(name).is_some());
        let passed =
            self.looked_at.replace(at).map_or(0.0, |looked| (at - looked).num_seconds().max(0) as f64 / 3600.0);
        self.medium.forget(passed);
        // What the air was in a longer gap is not known.
        let hours = if passed > 1.0 { 0.0 } else { passed };
        let in_a_round = at - waking::last_round(&site.site, at) < ROUND_LASTS;
        for index in 0..self.places.len() {
            let place = &self.places[index];
            let rules = site.place(place.place);
            let trays: Vec<&tray::Tray> =
                self.trays.growing().filter(|tray| place.served.contains(&tray.place)).collect();
            let surfaces = probes(&self.rules, &self.minutes, &place.surfaces, at);
            let stand = Stand {
                place: place.place.0,
                name: &rules.name,
                air: place.air,
                demand: &place.demand,
                trays: &trays,
                surfaces: &surfaces,
                zone: self.rules.site.time_zone,
            };
            let alarms = &self.alarms;
            let held = |kind| alarms.is_held(kind, &rules.id);
            let conditions = match stand.tray_air(at) {
                Some(air) => {
                    let [mold, dripping] = self.leaves.look(at, hours, &stand, &air, held);
                    [mold, (AlarmKind::DryOut, self.medium.look(at, hours, &stand, &air)), dripping]
                }
                None => {
                    let unknown = [AlarmKind::MoldPressure, AlarmKind::DryOut, AlarmKind::Condensation];
                    unknown.map(|kind| (kind, Condition::Unknown))
                }
            };
            for (kind, mut condition) in conditions {
                // A watering is written down at the end of its round, not before it: until then
                // nothing new is told, and nothing told becomes more urgent.
                if kind == AlarmKind::DryOut && in_a_round && matches!(condition, Condition::Present { .. }) {
                    condition = Condition::Unknown;
                }
                self.observe(kind, &rules.id, condition, effects);
            }
        }
    }

    pub(super) fn judge_tanks(&mut self, means: &[Option<f64>], effects: &mut Vec<Effect>) {
        let at = self.now;
        let site = Arc::clone(&self.rules);
        for index in 0..self.tanks.len() {
            let reservoir = &site.reservoirs[index];
            let channel = usize::from(reservoir.channel.0);
            let trays = self.trays_on(reservoir);
            let known = Use {
                trays: self.trays.any_sown().then_some(trays),
                places: reservoir.feeds.len(),
                flat_since: self.judges[channel].flat_since().map(|(since, _)| since),
                odd_after: self.judges[channel].odd_after(at),
            };
            let fresh = self.minutes[channel].fresh(at).is_some();
            let alarms = &self.alarms;
            let held = |kind| alarms.is_held(kind, &reservoir.id);
            let tank = &mut self.tanks[index];
            tank.minute(at, means[channel]);
            let conditions = tank.judge(at, &reservoir.name, reservoir.low_percent, known, fresh, held);
            for (kind, condition) in conditions {
                self.observe(kind, &reservoir.id, condition, effects);
            }
        }
    }

    /// What the tank says of the waterings in the log.
    fn judge_waterings(&mut self) {
        let site = Arc::clone(&self.rules);
        for (index, reservoir) in site.reservoirs.iter().enumerate() {
            match self.waterings[index].minute(self.now, &self.tanks[index], reservoir) {
                Some(Showed::StoodStill { logged_at, trays }) => {
                    for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                        self.medium.not_watered(tray, logged_at);
                    }
                }
                Some(Showed::Fell { grams_a_tray, trays }) => {
                    // One lesson a place: trays of one round are not witnesses of their own.
                    let mut taught = Vec::new();
                    for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                        if !taught.contains(&tray.place) && self.medium.drew(tray, grams_a_tray) {
                            taught.push(tray.place);
                        }
                    }
                }
                None => {}
            }
        }
    }

    pub(super) fn judge_sensors(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        self.tally();
        let deaf = self.site.broker_lost_at.is_some();
        let rules = Arc::clone(&self.rules);
        for (index, sensor) in rules.sensors.iter().enumerate() {
            let id = SensorId(index as u16);
            let (place, blind, matters, harm) = match (sensor.place, sensor.reservoir) {
                (_, Some(reservoir)) => {
                    let matters = !self.trays.any_sown() || self.trays_on(rules.reservoir(reservoir)) > 0;
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
                    let blind = !seen && sensor.surface.is_none();
                    (rules.place(place).name.as_str(), blind, !empty, None)
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

    /// Counts the minutes in which sensors could not say all. Only one channel of a sensor can.
    fn tally(&mut self) {
        for (channel, judge) in self.rules.channels.iter().zip(&self.judges) {
            let day = &mut self.sensors[usize::from(channel.sensor.0)].day;
            day.saturated_minutes += u32::from(matches!(judge.pinned(self.now), Pinned::Saturated(_)));
            day.uncorrected_minutes += u32::from(judge.is_uncorrected(self.now));
        }
    }

    pub(super) fn stuck_air(&self, sensor: SensorId, around: &Surroundings<'_>) -> (AlarmKind, Condition) {
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
    pub(super) fn judge_sisters(&mut self, effects: &mut Vec<Effect>) {
        let rules = Arc::clone(&self.rules);
        let mut seen: BTreeMap<&str, (AlarmKind, Condition)> = BTreeMap::new();
        for index in 0..self.sisters.len() {
            let subject = self.sisters[index].subject(&rules);
            let held = self.alarms.is_held(AlarmKind::SensorDrift, subject);
            // At the top of its scale, and while it recovers, a hygrometer cannot agree with anybody.
            let pinned = |id: ChannelId| !self.judges[usize::from(id.0)].pinned(self.now).tells_of_the_air();
            let judged = if self.sisters[index].channels().into_iter().any(pinned) {
                (AlarmKind::SensorDrift, Condition::Unknown)
            } else {
                self.sisters[index].minute(&rules, &self.minutes, self.now, held)
            };
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

    pub(super) fn judge_trays(&mut self, effects: &mut Vec<Effect>) {
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
            .of_kind(AlarmKind::StageOverdue)
            .filter(|alarm| alarm.is_held())
            .map(|alarm| alarm.key.subject.clone())
            .filter(|subject| !overdue.iter().any(|(tray, _)| tray == subject))
            .collect();
        for (tray, condition) in overdue {
            self.observe(AlarmKind::StageOverdue, &tray, condition, effects);
        }
        for tray in standing {
            self.observe(AlarmKind::StageOverdue, &tray, Condition::Absent, effects);
        }
    }

    pub(super) fn judge_site(&mut self, effects: &mut Vec<Effect>) {
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

    pub(super) fn trays_on(&self, reservoir: &Reservoir) -> u32 {
        self.trays.growing().filter(|tray| self.rules.waters(reservoir, tray.place)).map(|tray| tray.count).sum()
    }

    pub(super) fn measured_by_another(&self, place: PlaceId, sensor: SensorId) -> bool {
        let others = self.rules.channels.iter().zip(&self.minutes).filter(|(channel, _)| channel.sensor != sensor);
        let mut fresh = others
            .filter(|(channel, _)| {
                let sensor = self.rules.sensor(channel.sensor);
                sensor.place == Some(place) && sensor.surface.is_none()
            })
            .filter(|(_, minutes)| minutes.fresh(self.now).is_some());
        fresh.next().is_some()
    }

    pub(super) fn look_up_demands(&mut self) {
        self.demands_stale = false;
        for place in &mut self.places {
            place.demand = band::demand(&self.rules, place.place, &place.served, &self.trays, self.now);
        }
    }
}

/// The probes on surfaces of a place, as they stand now.
pub(super) fn probes<'r>(rules: &'r Rules, minutes: &[Minutes], on: &[ChannelId], at: Timestamp) -> Vec<Probe<'r>> {
    let probe = |id: &ChannelId| {
        let channel = rules.channel(*id);
        Some(Probe {
            on: rules.sensor(channel.sensor).surface.as_deref()?,
            temperature: minutes[usize::from(id.0)].fresh(at),
            accuracy: channel.accuracy,
        })
    };
    on.iter().filter_map(probe).collect()
}

/// The middle of what the sensors of a place say now.
fn middle(minutes: &[Minutes], channels: &[ChannelId], at: Timestamp) -> Option<f64> {
    let values: Vec<f64> = channels.iter().filter_map(|channel| minutes[usize::from(channel.0)].fresh(at)).collect();
    slope::median(&values)
}
