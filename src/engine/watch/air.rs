//! The watch over the air of one place: how far outside its limits it is, for how
//! long, and when that begins to harm.
//!
//! Harm is reckoned as a dose: the square of the degrees beyond the limit (or per cent)
//! times hours, until a budget is spent. So a little too warm for long and much too warm for an
//! hour are one rule, and the waking rule gets a time instead of a threshold; the square,
//! because what heat and frost do grows faster than the degrees. The budgets and what they may
//! be off by are own defaults; no published dose for microgreens was found. The dose to come is
//! reckoned along the course the air is on, with the spread of sensor, course and budget.
//!
//! Damp air by itself does no harm: mold does, and its model has a watch of its own.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::physics::climate::{self, Accuracy, TENTH_OF_LIMITS};
use crate::physics::course::{Course, REMEMBERED};
use crate::reading::Quantity;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::band::Demand;
use alloc::borrow::ToOwned;
use alloc::collections::VecDeque;

/// Square kelvins times hours above the limit: 70 min at 8 K, 8 h at 3 K. Seedlings wilt
/// within the hour near 35 °C (common practice, no source).
const WARM_BUDGET: f64 = 75.0;
/// The same below the limit: 2.5 h at 10 K, 10 h at 5 K. Crops that love warmth are chilled in
/// some hours below 10 °C (common practice, no source).
const COLD_BUDGET: f64 = 250.0;
/// Square per cents times hours below the limit: 15 h at 10 %.
const DRY_BUDGET: f64 = 1500.0;
/// A dose fades over this span once the air is good again.
const FADES_OVER_HOURS: f64 = 4.0;
/// Water in leaves freezes (a physical limit, not a dose): degrees Celsius.
const FREEZING: f64 = 0.5;
/// What a seedling bears is known no better than this: a tenth, the half and nine tenths of the
/// chance. Own default.
const BUDGET_SPREAD: [f64; 3] = [0.4, 1.0, 2.2];
/// A place goes further than it has gone in the last days by no more than so many kelvin, until it
/// has: early, likely, late. A lamp warms a shelf by some kelvin and no more. Own defaults.
const GOES_FURTHER: [f64; 3] = [3.5, 1.5, 0.5];
const SEEN_DAYS: i64 = 7;
/// Forecasts are walked in steps of a quarter of an hour, two days far.
const STEP_HOURS: f64 = 0.25;
const STEPS: usize = 192;

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
            Side::Damp => f64::INFINITY,
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
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct AirWatch {
    doses: [f64; 4],
    /// When each of the three budgets was spent.
    spent_at: [[Option<Timestamp>; 3]; 4],
    worst: [Option<f64>; 4],
    /// The lowest and highest temperature of each of the last days.
    seen: VecDeque<(i64, f64, f64)>,
    temperatures: VecDeque<(Timestamp, f64)>,
    humidities: VecDeque<(Timestamp, f64)>,
    last_minute: Option<Timestamp>,
}

impl AirWatch {
    /// Looks at one minute. `held(kind)` says whether that alarm holds, for the deadband.
    pub fn minute(
        &mut self,
        at: Timestamp,
        air: AirMinute,
        demand: &Demand,
        place: &str,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 4] {
        let hours = self.last_minute.map_or(0.0, |last| ((at - last).num_seconds() as f64 / 3600.0).clamp(0.0, 0.25));
        self.last_minute = Some(at);
        remember(&mut self.temperatures, at, air.temperature);
        remember(&mut self.humidities, at, air.humidity);
        self.note_seen(at, air.temperature);
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
            if !present && !held(kind) {
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
            if !present {
                return (kind, Condition::Gone { evidence });
            }
            let harm = self.harm(side, (value, limit), side.accuracy(air.accuracy), at);
            (kind, Condition::Present { harm, evidence })
        })
    }

    fn note_seen(&mut self, at: Timestamp, temperature: Option<f64>) {
        let day = at.timestamp().div_euclid(86_400);
        self.seen.retain(|(seen_on, ..)| day - seen_on <= SEEN_DAYS);
        let Some(value) = temperature else { return };
        match self.seen.back_mut().filter(|(seen_on, ..)| *seen_on == day) {
            Some((_, low, high)) => (*low, *high) = (low.min(value), high.max(value)),
            None => self.seen.push_back((day, value, value)),
        }
    }

    /// Between which values a forecast stays that goes so many kelvin further than the place has
    /// gone in the last days.
    fn within(&self, side: Side, further: f64) -> (f64, f64) {
        match side {
            Side::Warm | Side::Cold => {
                let low = self.seen.iter().map(|(_, low, _)| *low).fold(f64::INFINITY, f64::min);
                let high = self.seen.iter().map(|(.., high)| *high).fold(f64::NEG_INFINITY, f64::max);
                (low - further, high + further)
            }
            Side::Damp | Side::Dry => (0.0, 100.0),
        }
    }

    fn reset(&mut self, side: Side) {
        self.doses[side as usize] = 0.0;
        self.spent_at[side as usize] = [None; 3];
        self.worst[side as usize] = None;
    }

    fn dose(&mut self, side: Side, beyond: f64, hours: f64, at: Timestamp) {
        let dose = &mut self.doses[side as usize];
        let budget = side.budget();
        if beyond > 0.0 {
            *dose = (*dose + beyond * beyond * hours).min(budget * BUDGET_SPREAD[2]);
        } else {
            *dose = (*dose - budget / FADES_OVER_HOURS * hours).max(0.0);
        }
        for (spent_at, share) in self.spent_at[side as usize].iter_mut().zip(BUDGET_SPREAD) {
            if *dose >= budget * share {
                spent_at.get_or_insert(at);
            } else {
                *spent_at = None;
            }
        }
    }

    fn harm(&self, side: Side, (value, limit): (f64, f64), accuracy: f64, at: Timestamp) -> Option<Harm> {
        if side == Side::Damp {
            return None;
        }
        let series = match side {
            Side::Warm | Side::Cold => &self.temperatures,
            Side::Damp | Side::Dry => &self.humidities,
        };
        let course = Course::of(series, at, value);
        // Easing slowly, the air goes on far: away from its limit that is bad, back to it good.
        let worsens = side.beyond(value + course.rate, limit) > side.beyond(value, limit);
        let (bad, good) = if worsens { (0.5, 2.0) } else { (2.0, 0.5) };
        let off = side.beyond(limit + TENTH_OF_LIMITS * accuracy, limit);
        let spent_at = |which: usize, off: f64, easing: f64| {
            let spent = self.spent_at[side as usize][which];
            let within = self.within(side, GOES_FURTHER[which]);
            let budget = side.budget() * BUDGET_SPREAD[which];
            let ahead = || self.spent_in(side, limit, course.but(off, easing), budget, within);
            spent.or_else(|| ahead().map(|hours| Harm::after(at, hours, hours, hours).early))
        };
        let early = spent_at(0, off, bad)?;
        let far = Harm::after(at, f64::INFINITY, f64::INFINITY, f64::INFINITY).late;
        let likely = spent_at(1, 0.0, 1.0).unwrap_or(far).max(early);
        Some(Harm { early, likely, late: spent_at(2, -off, good).unwrap_or(far).max(likely) })
    }

    /// Hours until the budget is spent along a course; `None`: not within two days.
    fn spent_in(&self, side: Side, limit: f64, course: Course, budget: f64, within: (f64, f64)) -> Option<f64> {
        let mut dose = self.doses[side as usize];
        let faded = side.budget() / FADES_OVER_HOURS * STEP_HOURS;
        for (step, value) in course.ahead(STEP_HOURS).take(STEPS).enumerate() {
            let value = value.max(within.0).min(within.1);
            let beyond = side.beyond(value, limit);
            let before = dose;
            dose = if beyond > 0.0 { dose + beyond * beyond * STEP_HOURS } else { (dose - faded).max(0.0) };
            if side == Side::Cold && value <= FREEZING {
                return Some(step as f64 * STEP_HOURS);
            }
            if dose >= budget {
                let share = ((budget - before) / (dose - before)).clamp(0.0, 1.0);
                return Some((step as f64 + share) * STEP_HOURS);
            }
        }
        None
    }
}

/// The air of a place in one minute: degrees Celsius, per cent relative humidity.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AirMinute {
    /// Temperature, if a fresh believed one is known.
    pub temperature: Option<f64>,
    /// Humidity, if a fresh believed one is known.
    pub humidity: Option<f64>,
    /// What either may be off by, as the settings state it.
    pub accuracy: Accuracy,
    /// A hygrometer stands at the top of its scale: the air is at least so damp.
    pub at_least: bool,
}

impl AirMinute {
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
    while series.front().is_some_and(|(when, _)| at - *when > REMEMBERED) {
        series.pop_front();
    }
    if let Some(value) = value {
        series.push_back((at, value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;
    use chrono::TimeDelta;

    const LIMIT: f64 = 27.0;

    /// Harm by heat after a day at 25 °C and these minutes.
    fn warm(minutes: &[f64]) -> Option<Harm> {
        let mut demand = Demand::default();
        demand.limits.temperature_max = Some(LIMIT);
        let mut watch = AirWatch::default();
        let begins = Timestamp::from_timestamp(1_772_600_000, 0).expect("a time");
        let mut found = None;
        for (minute, value) in core::iter::repeat_n(25.0, 1440).chain(minutes.iter().copied()).enumerate() {
            let air = AirMinute { temperature: Some(value), ..AirMinute::default() };
            let at = begins + TimeDelta::minutes(minute as i64);
            let [(_, condition), ..] = watch.minute(at, air, &demand, "Rack A", |_| false);
            found = match condition {
                Condition::Present { harm, .. } => harm,
                _ => None,
            };
        }
        found
    }

    fn after(minutes: usize) -> Timestamp {
        Timestamp::from_timestamp(1_772_600_000, 0).expect("a time") + TimeDelta::minutes(1440 + minutes as i64)
    }

    #[test]
    fn air_that_rises_fast_is_not_forecast_far_beyond_what_its_place_has_seen() {
        let rising: Vec<f64> = (0..40).map(|minute| 25.0 + 5.0 * f64::from(minute) / 60.0).collect();
        let harm = warm(&rising).expect("it is beyond its limit");
        assert!(harm.likely - after(40) > TimeDelta::hours(6), "{harm:?}");
    }

    #[test]
    fn eight_kelvin_for_an_hour_harm_more_than_one_for_eight() {
        let little = warm(&[LIMIT + 1.0; 480]).expect("beyond its limit");
        let much = warm(&[LIMIT + 8.0; 80]).expect("beyond its limit");
        assert!(little.likely > after(480 + 600), "{little:?}");
        assert!(much.likely <= after(80), "{much:?}");
    }
}
