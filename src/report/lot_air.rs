//! The air one lot of trays had, from sowing to its end, in the few figures that yields
//! are held against. The limits, the stages and the mold clock are the engine's own.

use crate::engine::physics::climate::{HUMIDITY_ACCURACY, vapour_pressure_deficit};
use crate::engine::physics::mold_pressure::MoldPressure;
use crate::engine::physics::slope::median;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::demand_of;
use crate::engine::watch::stand::tray_air;
use crate::journal::Did;
use crate::reading::{Quantity, SensorId};
use crate::report::lives::Life;
use crate::store::{Reader, StoreError};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// The air a lot had.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LotAir {
    /// Mean temperature from sowing to the end, Celsius.
    pub temperature: Option<f64>,
    /// Mean relative humidity in light, per cent. Under a cover the room's says little.
    pub humidity: Option<f64>,
    /// Mean vapour pressure deficit in light, kilopascals.
    pub vpd: Option<f64>,
    /// Hours in light in which the air was damper than the limit at which it alarms.
    pub damp_hours: Option<f64>,
    /// The highest mold pressure, 0 to 100.
    pub mold_pressure: Option<f64>,
    /// Share of its life in which temperature and humidity were known, 0 to 1.
    pub known: f64,
}

/// The air of one step: when it began, Celsius, per cent.
pub type Step = (Timestamp, f64, f64);

/// The length of a step. Own default: the models take minutes or hours alike.
pub const STEP: TimeDelta = TimeDelta::minutes(10);
/// Hours a step.
const STEP_HOURS: f64 = 1.0 / 6.0;

/// The sensors whose air a place has: its own, or those of the place it lies in. Probes on
/// surfaces measure no air.
pub fn sensors_of(rules: &Rules, place: PlaceId) -> Vec<SensorId> {
    let mut next = Some(place);
    for _ in 0..=rules.places.len() {
        let Some(place) = next else { break };
        let own = (0..rules.sensors.len()).map(|index| SensorId(index as u16));
        let own: Vec<SensorId> = own.filter(|sensor| measures_air_of(rules, *sensor, place)).collect();
        if !own.is_empty() {
            return own;
        }
        next = rules.place(place).inside;
    }
    Vec::new()
}

/// Whether a sensor hangs in the air of a place itself.
pub fn measures_air_of(rules: &Rules, sensor: SensorId, place: PlaceId) -> bool {
    let sensor = rules.sensor(sensor);
    sensor.place == Some(place) && sensor.surface.is_none()
}

/// What the hygrometers of a place may be off by, per cent: the worst of them.
fn humidity_accuracy(rules: &Rules, place: PlaceId) -> f64 {
    let sensors = sensors_of(rules, place);
    let here = rules
        .channels
        .iter()
        .filter(|channel| channel.quantity == Quantity::Humidity && sensors.contains(&channel.sensor));
    here.map(|channel| channel.accuracy).reduce(f64::max).unwrap_or(HUMIDITY_ACCURACY)
}

/// The steps of a life in which the air of the place where it stood was known.
///
/// # Errors
/// When the store cannot be read.
pub fn steps(reader: &Reader, rules: &Rules, life: &Life, now: Timestamp) -> Result<Vec<Step>, StoreError> {
    let ends = life.until(now);
    let mut steps = Vec::new();
    for (nth, (from, place)) in life.stood.iter().enumerate() {
        let until = life.stood.get(nth + 1).map_or(ends, |(next, _)| *next).min(ends);
        let sensors = sensors_of(rules, *place);
        // The middle of its sensors, as the watch itself takes it.
        let middle = |quantity: Quantity| -> Result<BTreeMap<Timestamp, f64>, StoreError> {
            let mut said: BTreeMap<Timestamp, Vec<f64>> = BTreeMap::new();
            for sensor in &sensors {
                for point in reader.history(&rules.sensor(*sensor).id, quantity, *from, until, STEP)? {
                    said.entry(point.from).or_default().push(point.mean);
                }
            }
            Ok(said.into_iter().filter_map(|(at, values)| Some((at, median(&values)?))).collect())
        };
        let humidity = middle(Quantity::Humidity)?;
        let temperature = middle(Quantity::Temperature)?;
        steps.extend(temperature.into_iter().filter_map(|(at, celsius)| Some((at, celsius, *humidity.get(&at)?))));
    }
    Ok(steps)
}

/// The figures of a life from its known steps, which are ascending.
pub fn lot_air(rules: &Rules, life: &Life, steps: &[Step], now: Timestamp) -> LotAir {
    let zone = rules.site.time_zone;
    let mut mists = life.deeds.iter().filter(|deed| matches!(deed.did, Did::Mist(_))).map(|deed| deed.at).peekable();
    let mut clock = MoldPressure::new(&life.tray.figures.family);
    let (mut warmth, mut damp, mut lit) = (0.0, 0.0, 0.0);
    let (mut humidity_in_light, mut vpd_in_light) = (0.0, 0.0);
    for (at, celsius, percent) in steps {
        warmth += celsius;
        while mists.next_if(|misted| misted <= at).is_some() {
            clock.wet_from_above();
        }
        let tray = life.as_of(*at);
        if !tray.breathes_room_air(*at) {
            continue;
        }
        lit += 1.0;
        humidity_in_light += percent;
        vpd_in_light += vapour_pressure_deficit(Celsius(*celsius), RelativeHumidity(*percent)).0;
        let limits = demand_of(rules, tray.place, &[&tray], true, *at).limits;
        damp += f64::from(u8::from(limits.humidity_max.is_some_and(|limit| *percent > limit)));
        clock.advance(STEP_HOURS, &tray_air(*at, zone, *celsius, *percent, humidity_accuracy(rules, tray.place)));
    }
    let in_light = |sum: f64| (lit > 0.0).then(|| sum / lit);
    let lived = (life.until(now) - life.tray.sown_at).num_minutes() as f64 / 60.0;
    let known_hours = steps.len() as f64 * STEP_HOURS;
    LotAir {
        temperature: (!steps.is_empty()).then(|| warmth / steps.len() as f64),
        humidity: in_light(humidity_in_light),
        vpd: in_light(vpd_in_light),
        damp_hours: (lit > 0.0).then_some(damp * STEP_HOURS),
        mold_pressure: (lit > 0.0).then(|| clock.highest()),
        known: if lived > 0.0 { (known_hours / lived).min(1.0) } else { 0.0 },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::lives::lives;
    use crate::report::sample::{at, journal, rules};

    fn life() -> Life {
        let lines = journal(&[
            ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-06 08:00", r#"{"did":"uncover","tray":"K1"}"#),
            ("2026-03-12 08:00", r#"{"did":"harvest","tray":"K1","grams":300}"#),
        ]);
        lives(&rules(), &lines).remove(0)
    }

    fn air(from: &str, until: &str, celsius: f64, percent: f64) -> Vec<Step> {
        let (mut at, until) = (self::at(from), self::at(until));
        let mut steps = Vec::new();
        while at < until {
            steps.push((at, celsius, percent));
            at += STEP;
        }
        steps
    }

    #[test]
    fn under_cover_only_warmth_counts_and_in_light_the_rest() {
        let mut steps = air("2026-03-02 08:00", "2026-03-06 08:00", 24.0, 95.0);
        steps.extend(air("2026-03-06 08:00", "2026-03-11 08:00", 20.0, 50.0));
        steps.extend(air("2026-03-11 08:00", "2026-03-12 08:00", 20.0, 80.0));
        let found = lot_air(&rules(), &life(), &steps, at("2026-04-01 00:00"));
        let near = |found: Option<f64>, wanted: f64| {
            assert!(found.is_some_and(|found| (found - wanted).abs() < 1e-6), "{found:?}, wanted {wanted}");
        };
        near(found.temperature, (4.0 * 24.0 + 6.0 * 20.0) / 10.0);
        near(found.humidity, (5.0 * 50.0 + 80.0) / 6.0);
        // Saturation at 20 °C is 2338.80 Pa (PsychroLib 2.5.0).
        assert!((found.vpd.expect("in light") - 2.3388 * (5.0 * 0.5 + 0.2) / 6.0).abs() < 0.0003, "{found:?}");
        // Broccoli alarms at 75 %: fifteen above its band's 60.
        near(found.damp_hours, 24.0);
        near(Some(found.known), 1.0);
    }

    #[test]
    fn what_was_not_measured_is_not_guessed() {
        let found = lot_air(&rules(), &life(), &[], at("2026-04-01 00:00"));
        assert_eq!(found, LotAir::default());
        let half = air("2026-03-02 08:00", "2026-03-07 08:00", 20.0, 50.0);
        assert!((lot_air(&rules(), &life(), &half, at("2026-04-01 00:00")).known - 0.5).abs() < 1e-9);
    }
}
