//! The room as plain data: for `now` and for the digest. Reads everything, changes nothing.

use super::alarm::cycle::Alarm;
use super::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState};
use super::digest::{DigestFacts, ReservoirDay, SensorDay, TrayDay};
use super::gathered::Cut;
use super::minute::probes;
use super::place::PlaceWatch;
use super::quality::Judge;
use super::saturation::Pinned;
use super::silence::SensorWatch;
use super::snapshot::{PlaceNow, SensorNow, Snapshot, SurfaceNow};
use super::tank::TankWatch;
use super::{Engine, digest, rules, tray, waking};
use crate::reading::SensorId;
use crate::units::{Celsius, Timestamp};
use alloc::borrow::ToOwned;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// The minutes after a start, before the air is known, are not worth a line. Own default.
const UNCORRECTED_TOLD_HOURS: f64 = 0.25;

impl Engine {
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
            trays: self.trays.growing().map(|tray| self.tray_day(tray, day_ends)).collect(),
            water: digest::water_due(&self.rules, &self.trays, at),
            mist: digest::mist_due(&self.trays, at),
            cuts: {
                let told = |cut: &&Cut| cut.told_at >= self.digest_from && cut.told_at < at;
                self.trays.cuts().iter().filter(told).cloned().collect()
            },
            losses: digest::week_of_losses(self.trays.losses(), at),
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
                    pinned: self
                        .judges_of(watch.sensor)
                        .map(|judge| judge.pinned(at))
                        .find(|pinned| *pinned != Pinned::No)
                        .unwrap_or(Pinned::No),
                    uncorrected: self.judges_of(watch.sensor).any(|judge| judge.is_uncorrected(at)),
                    calibrated: self
                        .rules
                        .channels
                        .iter()
                        .filter(|channel| channel.sensor == watch.sensor)
                        .filter_map(|channel| channel.calibrated)
                        .max(),
                })
                .collect(),
            trays: {
                let until = at + TimeDelta::days(2);
                self.trays.growing().map(|tray| self.tray_day(tray, until)).collect()
            },
            alarms: self.standing(|alarm| alarm.state() != AlarmState::Normal),
            broker_up: self.site.broker_lost_at.is_none(),
        }
    }

    fn tray_day(&self, tray: &tray::Tray, until: Timestamp) -> TrayDay {
        digest::tray_day(&self.rules, &self.trays, &self.warmth, tray, self.now, until)
    }

    pub(super) fn place_now(&self, place: &PlaceWatch) -> PlaceNow {
        let rules = self.rules.place(place.place);
        let band = &place.demand.band;
        let probes = probes(&self.rules, &self.minutes, &place.surfaces, self.now);
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
            deficit_accuracy: place.air.deficit_accuracy(),
            dew_point: place.air.dew_point(),
            dew_point_accuracy: place.air.dew_point_accuracy(),
            accuracy: place.accuracy,
            at_least: place.air.at_least,
            surfaces: probes
                .iter()
                .map(|probe| SurfaceNow { on: probe.on.to_owned(), surface: probe.surface(&place.air) })
                .collect(),
            band: [band.temperature_min, band.temperature_max, band.humidity_min, band.humidity_max],
            trays: place.demand.trays.clone(),
            empty: place.demand.empty,
            clash: place.demand.clash.clone(),
        }
    }

    /// Its cause stands as an alarm of its own: an empty tank is also a low one.
    pub(super) fn is_consequence(&self, key: &AlarmKey) -> bool {
        key.kind == AlarmKind::ReservoirLow
            && self.alarms.find(AlarmKind::ReservoirEmpty, &key.subject).is_some_and(Alarm::is_active)
    }

    pub(super) fn standing(&self, which: impl Fn(&Alarm) -> bool) -> Vec<AlarmChange> {
        let moment = self.moment();
        let mut standing: Vec<AlarmChange> = self
            .alarms
            .iter()
            .filter(|alarm| which(alarm) && !self.is_consequence(&alarm.key))
            .filter_map(|alarm| alarm.as_it_stands(moment))
            .collect();
        standing.sort_by_key(|change| (change.priority, change.harm.map(|harm| harm.early), change.since));
        standing
    }

    pub(super) fn reservoirs_told(&self) -> Vec<ReservoirDay> {
        let told = |(tank, reservoir): (&TankWatch, &rules::Reservoir)| {
            let usable = tank.usable().map(|(_, litres)| litres);
            let (drawn, added) = tank.day();
            let gauge = self.rules.channel(reservoir.channel);
            let below_inlet = reservoir.shape.litres(reservoir.pump_inlet_mm);
            ReservoirDay {
                id: reservoir.id.clone(),
                name: reservoir.name.clone(),
                usable,
                usable_accuracy: usable.map(|litres| reservoir.litres_accuracy(gauge, litres + below_inlet)),
                percent: usable.map(|litres| litres / tank.usable_when_full() * 100.0),
                drawn,
                added,
                empty_at: tank.forecast(self.now),
            }
        };
        self.tanks.iter().zip(&self.rules.reservoirs).map(told).collect()
    }

    pub(super) fn sensors_told(&self) -> Vec<SensorDay> {
        let told = |(watch, sensor): (&SensorWatch, &rules::Sensor)| {
            let mut reasons: Vec<(&'static str, u32)> =
                watch.day.refused.iter().map(|(word, count)| (*word, *count)).collect();
            reasons.sort_by_key(|(word, count)| (core::cmp::Reverse(*count), *word));
            SensorDay {
                id: sensor.id.clone(),
                place: self.place_name(sensor),
                believed: watch.day.believed,
                refused: watch.day.refused.values().sum(),
                reasons,
                silent_hours: f64::from(watch.day.silent_minutes) / 60.0,
                saturated_hours: f64::from(watch.day.saturated_minutes) / 60.0,
                uncorrected_hours: f64::from(watch.day.uncorrected_minutes) / 60.0,
            }
        };
        let mut days: Vec<SensorDay> = self.sensors.iter().zip(&self.rules.sensors).map(told).collect();
        days.retain(|day| {
            let uncorrected = day.uncorrected_hours >= UNCORRECTED_TOLD_HOURS;
            day.refused > 0 || day.silent_hours > 0.0 || day.saturated_hours > 0.0 || uncorrected
        });
        days
    }

    fn judges_of(&self, sensor: SensorId) -> impl Iterator<Item = &Judge> {
        let mine = self.rules.channels.iter().zip(&self.judges).filter(move |(channel, _)| channel.sensor == sensor);
        mine.map(|(_, judge)| judge)
    }

    pub(super) fn place_name(&self, sensor: &rules::Sensor) -> String {
        match (sensor.place, sensor.reservoir) {
            (Some(place), _) => self.rules.place(place).name.clone(),
            (None, Some(reservoir)) => self.rules.reservoir(reservoir).name.clone(),
            (None, None) => sensor.id.clone(),
        }
    }
}
