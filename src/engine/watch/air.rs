//! The watch over the air of one place: how far outside its limits it is, for how
//! long, and when that begins to harm.
//!
//! Harm is reckoned as a dose: degrees (or per cent) beyond the limit times hours,
//! until a budget is spent. So a little too warm for long and much too warm for an
//! hour are one rule, and the waking rule gets a time instead of a threshold. The
//! budgets are own defaults; no published dose for microgreens was found.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::physics::climate::{self, Accuracy};
use crate::reading::Quantity;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::band::Demand;
use alloc::borrow::ToOwned;
use alloc::collections::VecDeque;
use chrono::TimeDelta;

/// Kelvin-hours above the limit: 6 h at 1 K, 45 min at 8 K. Seedlings wilt within the
/// hour near 35 °C (common practice, no source).
const WARM_BUDGET: f64 = 6.0;
/// Kelvin-hours below the limit: a day at 1 K, 2.4 h at 10 K.
const COLD_BUDGET: f64 = 24.0;
/// Per-cent-hours above the limit: 6 h at 95 %, 8 h at 90 %, a day at 80 % when the limit
/// is 75 %. The hours near saturation follow the 6 to 8 wet hours that Magarey et al.
/// (2005) give for Alternaria and Botrytis near 20 °C.
const DAMP_BUDGET: f64 = 120.0;
/// Per-cent-hours below the limit.
const DRY_BUDGET: f64 = 150.0;
/// A dose fades over this span once the air is good again.
const FADES_OVER_HOURS: f64 = 4.0;
/// The early bound takes the trend of this span, and the sensor's accuracy, on the bad side.
const TREND_MINUTES: usize = 30;

/// The four ways air can be wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    Warm,
    Cold,
    Damp,
    Dry,
}

const SIDES: [Side; 4] = [Side::Warm, Side::Cold, Side::Damp, Side::Dry];

impl Side {
    fn kind(self) -> AlarmKind {
        match self {
            Side::Warm => AlarmKind::AirTooWarm,
            Side::Cold => AlarmKind::AirTooCold,
            Side::Damp => AlarmKind::AirTooDamp,
            Side::Dry => AlarmKind::AirTooDry,
        }
    }

    fn quantity(self) -> Quantity {
        match self {
            Side::Warm | Side::Cold => Quantity::Temperature,
            Side::Damp | Side::Dry => Quantity::Humidity,
        }
    }

    fn budget(self) -> f64 {
        match self {
            Side::Warm => WARM_BUDGET,
            Side::Cold => COLD_BUDGET,
            Side::Damp => DAMP_BUDGET,
            Side::Dry => DRY_BUDGET,
        }
    }

    fn accuracy(self, of: Accuracy) -> f64 {
        match self {
            Side::Warm | Side::Cold => of.temperature,
            Side::Damp | Side::Dry => of.humidity,
        }
    }

    /// How far beyond the limit, positive when bad.
    fn beyond(self, value: f64, limit: f64) -> f64 {
        match self {
            Side::Warm | Side::Damp => value - limit,
            Side::Cold | Side::Dry => limit - value,
        }
    }

    fn worse(self, a: f64, b: f64) -> f64 {
        match self {
            Side::Warm | Side::Damp => a.max(b),
            Side::Cold | Side::Dry => a.min(b),
        }
    }
}

/// What one place's air has done lately.
#[derive(Clone, Debug, Default)]
pub struct AirWatch {
    doses: [f64; 4],
    spent_at: [Option<Timestamp>; 4],
    worst: [Option<f64>; 4],
    temperatures: VecDeque<(Timestamp, f64)>,
    humidities: VecDeque<(Timestamp, f64)>,
    last_minute: Option<Timestamp>,
}

impl AirWatch {
    /// Looks at one minute. `held(kind)` says whether that alarm holds, for the deadband.
    pub fn minute(
        &mut self,
        at: Timestamp,
        air: Air,
        demand: &Demand,
        place: &str,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 4] {
        let hours = self.last_minute.map_or(0.0, |last| ((at - last).num_seconds() as f64 / 3600.0).clamp(0.0, 0.25));
        self.last_minute = Some(at);
        remember(&mut self.temperatures, at, air.temperature);
        remember(&mut self.humidities, at, air.humidity);
        let dew_point = air.dew_point();
        SIDES.map(|side| {
            let (value, limit) = match side {
                Side::Warm => (air.temperature, demand.limits.temperature_max),
                Side::Cold => (air.temperature, demand.limits.temperature_min),
                Side::Damp => (air.humidity, demand.limits.humidity_max),
                Side::Dry => (air.humidity, demand.limits.humidity_min),
            };
            let kind = side.kind();
            let Some(limit) = limit else {
                self.reset(side);
                return (kind, Condition::Absent);
            };
            let Some(value) = value else {
                return (kind, Condition::Unknown);
            };
            let beyond = side.beyond(value, limit);
            self.dose(side, beyond, hours, at);
            let deadband = side.quantity().deadband();
            let present = beyond > 0.0 || (held(kind) && beyond > -deadband);
            if !present {
                self.worst[side as usize] = None;
                return (kind, Condition::Absent);
            }
            let worst = self.worst[side as usize].map_or(value, |worst| side.worse(worst, value));
            self.worst[side as usize] = Some(worst);
            let evidence = Evidence::Air {
                place: place.to_owned(),
                quantity: side.quantity(),
                value,
                limit,
                worst,
                trays: demand.trays.clone(),
                dew_point,
                dew_point_accuracy: air.dew_point_accuracy(),
                accuracy: side.accuracy(air.accuracy),
            };
            (kind, Condition::Present { harm: self.harm(side, beyond, side.accuracy(air.accuracy), at), evidence })
        })
    }

    fn reset(&mut self, side: Side) {
        self.doses[side as usize] = 0.0;
        self.spent_at[side as usize] = None;
        self.worst[side as usize] = None;
    }

    fn dose(&mut self, side: Side, beyond: f64, hours: f64, at: Timestamp) {
        let dose = &mut self.doses[side as usize];
        let budget = side.budget();
        if beyond > 0.0 {
            *dose = (*dose + beyond * hours).min(budget);
        } else {
            *dose = (*dose - budget / FADES_OVER_HOURS * hours).max(0.0);
        }
        if *dose >= budget {
            self.spent_at[side as usize].get_or_insert(at);
        } else {
            self.spent_at[side as usize] = None;
        }
    }

    fn harm(&self, side: Side, beyond: f64, accuracy: f64, at: Timestamp) -> Option<Harm> {
        if let Some(spent) = self.spent_at[side as usize] {
            return Some(Harm { from: spent, early: spent });
        }
        let left = side.budget() - self.doses[side as usize];
        let series = match side {
            Side::Warm | Side::Cold => &self.temperatures,
            Side::Damp | Side::Dry => &self.humidities,
        };
        let worsening = match side {
            Side::Warm | Side::Damp => trend_per_hour(series),
            Side::Cold | Side::Dry => -trend_per_hour(series),
        };
        let after = |beyond: f64| {
            (beyond > 0.0).then(|| at + TimeDelta::seconds((left / beyond * 3600.0).min(30.0 * 86_400.0) as i64))
        };
        let from = after(beyond);
        let early = after(beyond + accuracy + worsening.clamp(0.0, 10.0));
        match (from, early) {
            (Some(from), Some(early)) => Some(Harm { from, early: early.min(from) }),
            (None, Some(early)) => Some(Harm { from: early, early }),
            _ => None,
        }
    }
}

/// The air of a place in one minute: degrees Celsius, per cent relative humidity.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Air {
    /// Temperature, if a fresh believed one is known.
    pub temperature: Option<f64>,
    /// Humidity, if a fresh believed one is known.
    pub humidity: Option<f64>,
    /// What either may be off by, as the settings state it.
    pub accuracy: Accuracy,
    /// A hygrometer stands at the top of its scale: the air is at least so damp.
    pub at_least: bool,
}

impl Air {
    /// Vapour pressure deficit in kilopascals, if both are known.
    pub fn deficit(&self) -> Option<f64> {
        let (temperature, humidity) = self.temperature.zip(self.humidity)?;
        Some(climate::vapour_pressure_deficit(Celsius(temperature), RelativeHumidity(humidity)).0)
    }

    /// What that deficit may be off by, kilopascals.
    pub fn deficit_accuracy(&self) -> Option<f64> {
        let (temperature, humidity) = self.temperature.zip(self.humidity)?;
        Some(self.accuracy.of_deficit(Celsius(temperature), RelativeHumidity(humidity)).0)
    }

    /// Dew point in Celsius, if both are known.
    pub fn dew_point(&self) -> Option<f64> {
        let (temperature, humidity) = self.temperature.zip(self.humidity)?;
        climate::dew_point(Celsius(temperature), RelativeHumidity(humidity)).map(|dew_point| dew_point.0)
    }

    /// What that dew point may be off by, kelvin.
    pub fn dew_point_accuracy(&self) -> Option<f64> {
        let (temperature, humidity) = self.temperature.zip(self.humidity)?;
        self.accuracy.of_dew_point(Celsius(temperature), RelativeHumidity(humidity))
    }
}

fn remember(series: &mut VecDeque<(Timestamp, f64)>, at: Timestamp, value: Option<f64>) {
    while series.front().is_some_and(|(when, _)| at - *when > TimeDelta::minutes(TREND_MINUTES as i64)) {
        series.pop_front();
    }
    if let Some(value) = value {
        series.push_back((at, value));
    }
}

/// Mean of the newer half less mean of the older half of the window, an hour.
fn trend_per_hour(series: &VecDeque<(Timestamp, f64)>) -> f64 {
    if series.len() < 6 {
        return 0.0;
    }
    let half = series.len() / 2;
    let mean = |from: usize, to: usize| {
        let count = (to - from) as f64;
        let hours = |when: Timestamp| (when - series[0].0).num_seconds() as f64 / 3600.0;
        let sum = series.range(from..to).fold((0.0, 0.0), |sum, (when, value)| (sum.0 + hours(*when), sum.1 + value));
        (sum.0 / count, sum.1 / count)
    };
    let (older, newer) = (mean(0, half), mean(half, series.len()));
    let apart = newer.0 - older.0;
    if apart > 0.0 { (newer.1 - older.1) / apart } else { 0.0 }
}
