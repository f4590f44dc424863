//! The room as plain data: for `now` and for the digest. Reads everything, changes nothing.

use super::alarm::cycle::Alarm;
use super::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState};
use super::digest::{DigestFacts, ReservoirDay, SensorDay};
use super::silence::SensorWatch;
use super::snapshot::{PlaceNow, SensorNow, Snapshot};
use super::tank::TankWatch;
use super::{Engine, PlaceWatch, climate, digest, rules, tray, waking};
use crate::units::{Celsius, RelativeHumidity};
use chrono::TimeDelta;

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

    pub(super) fn place_now(&self, place: &PlaceWatch) -> PlaceNow {
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

    pub(super) fn sensors_told(&self) -> Vec<SensorDay> {
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

    pub(super) fn place_name(&self, sensor: &rules::Sensor) -> String {
        match (sensor.place, sensor.reservoir) {
            (Some(place), _) => self.rules.place(place).name.clone(),
            (None, Some(reservoir)) => self.rules.reservoir(reservoir).name.clone(),
            (None, None) => sensor.id.clone(),
        }
    }
}
