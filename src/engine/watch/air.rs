//! The watch over the air of one place: how far outside its limits it is, for how
//! long, and when that begins to harm.
//!
//! Harm is reckoned as a dose, as chilling and heat are in general: degree-hours beyond what a
//! seedling bears (per cent for dry air). What it bears lies some degrees beyond the limit of the
//! alarm and is not known well: a tender one, a usual one and a hardy one are reckoned beside each
//! other, and are the early, the likely and the late figure. Air that never goes beyond what a
//! hardy one bears never harms for certain, however long it lasts. No published dose for
//! microgreens was found; the figures are own defaults. The dose to come is reckoned along the
//! course the air is on, with the rhythm that its days have, and the spread of sensor and course.
//!
//! Damp air by itself does no harm: mold does, and its model has a watch of its own.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::physics::climate::{self, Accuracy, TENTH_OF_LIMITS};
use crate::physics::outlook::{Face, Outlook, STEP_HOURS, Trail};
use crate::reading::Quantity;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::band::Demand;
use alloc::borrow::ToOwned;
use alloc::collections::VecDeque;

/// What a seedling bears: the tender one, the usual one, the hardy one.
#[derive(Clone, Copy, Debug)]
struct Bears {
    /// So far beyond the alarm's limit nothing happens yet, kelvin or per cent.
    beyond: [f64; 3],
    /// Times hours beyond that, until it is harmed.
    dose: [f64; 3],
}

/// Beyond 28.7, 30.5 and 32.1 °C where the limit is 27: two hours at a kelvin and a half more.
/// Seedlings wilt within the hour near 35 °C (common practice, no source).
const BEARS_WARMTH: Bears = Bears { beyond: [1.7, 3.5, 5.1], dose: [3.0; 3] };
/// Below 11.6, 10 and 8.4 °C where the limit is 15: three to five hours at two kelvin less. Crops that love
/// warmth are chilled in some hours below 10 °C (common practice, no source).
const BEARS_COLD: Bears = Bears { beyond: [3.4, 5.0, 6.6], dose: [6.0, 8.0, 10.0] };
/// Dry air takes water from the first per cent on: 15 h at 10 %, give or take.
const BEARS_DRYNESS: Bears = Bears { beyond: [0.0; 3], dose: [60.0, 150.0, 330.0] };
/// A dose fades over this span once the air is good again.
const FADES_OVER_HOURS: f64 = 4.0;
/// Water in leaves freezes (a physical limit, not a dose): degrees Celsius.
const FREEZING: f64 = 0.5;
/// A place goes further than it has gone in the last days by no more than so many kelvin, until it
/// has: early, likely, late. A lamp warms a shelf by some kelvin and no more. Own defaults.
const GOES_FURTHER: [f64; 3] = [3.5, 1.5, 0.5];
const SEEN_DAYS: i64 = 7;

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

    /// What is borne of it; `None`: by itself it harms nothing.
    fn bears(self) -> Option<Bears> {
        match self {
            Side::Warm => Some(BEARS_WARMTH),
            Side::Cold => Some(BEARS_COLD),
            Side::Damp => None,
            Side::Dry => Some(BEARS_DRYNESS),
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

    /// How the air goes on where harm comes early, where it comes when it is likely, and where late.
    fn faces(self) -> [Face; 3] {
        match self {
            Side::Warm | Side::Damp => [Face::High, Face::Likely, Face::Low],
            Side::Cold | Side::Dry => [Face::Low, Face::Likely, Face::High],
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
pub(crate) struct AirWatch {
    /// Of the tender, the usual and the hardy.
    doses: [[f64; 3]; 4],
    /// When each of them was harmed.
    spent_at: [[Option<Timestamp>; 3]; 4],
    worst: [Option<f64>; 4],
    /// The lowest and highest temperature of each of the last days.
    seen: VecDeque<(i64, f64, f64)>,
    temperature: Trail,
    humidity: Trail,
    /// How far the coldest surface with a probe is above the dew point, kelvin.
    margin: Trail,
    last_minute: Option<Timestamp>,
}

impl AirWatch {
    /// Looks at one minute. `held(kind)` says whether that alarm holds, for the deadband.
    pub(crate) fn minute(
        &mut self,
        at: Timestamp,
        air: AirMinute,
        demand: &Demand,
        place: &str,
        held: impl Fn(AlarmKind) -> bool,
        mut found: impl FnMut(AlarmKind, Condition),
    ) {
        let hours = self.last_minute.map_or(0.0, |last| ((at - last).num_seconds() as f64 / 3600.0).clamp(0.0, 0.25));
        self.last_minute = Some(at);
        self.temperature.note(at, air.temperature);
        self.humidity.note(at, air.humidity);
        self.note_seen(at, air.temperature);
        let dew_point = air.dew_point();
        for side in SIDES {
            let (value, limit) = match side {
                Side::Warm => (air.temperature, demand.limits.temperature_max),
                Side::Cold => (air.temperature, demand.limits.temperature_min),
                Side::Damp => (air.humidity, demand.limits.humidity_max),
                Side::Dry => (air.humidity, demand.limits.humidity_min),
            };
            let kind = side.kind();
            let Some(limit) = limit else {
                self.reset(side);
                found(kind, Condition::Absent);
                continue;
            };
            let Some(value) = value else {
                found(kind, Condition::Unknown);
                continue;
            };
            let beyond = side.beyond(value, limit);
            self.dose(side, beyond, hours, at);
            let deadband = side.quantity().deadband();
            let present = beyond > 0.0 || (held(kind) && beyond > -deadband);
            if !present && !held(kind) {
                self.worst[side as usize] = None;
                found(kind, Condition::Absent);
                continue;
            }
            let worst = self.worst[side as usize].map_or(value, |worst| side.worse(worst, value));
            self.worst[side as usize] = Some(worst);
            let evidence = Evidence::Air {
                place: place.to_owned(),
                quantity: side.quantity(),
                value,
                limit,
                worst,
                crops: demand.crops.clone(),
                dew_point,
                dew_point_accuracy: air.dew_point_accuracy(),
                accuracy: side.accuracy(air.accuracy),
            };
            if !present {
                found(kind, Condition::Gone { evidence });
                continue;
            }
            let harm = self.harm(side, (value, limit), side.accuracy(air.accuracy), at);
            found(kind, Condition::Present { harm, evidence });
        }
    }

    /// What temperature and humidity are likely to do from these on.
    pub(crate) fn outlook(&self, at: Timestamp, temperature: f64, humidity: f64) -> (Outlook, Outlook) {
        (self.temperature.outlook(at, temperature), self.humidity.outlook(at, humidity))
    }

    /// How far the coldest surface with a probe is above the dew point in a minute, kelvin.
    pub(crate) fn note_margin(&mut self, at: Timestamp, margin: Option<f64>) {
        self.margin.note(at, margin);
    }

    /// What that margin is likely to do from this one on.
    pub(crate) fn margin_outlook(&self, at: Timestamp, margin: f64) -> Outlook {
        self.margin.outlook(at, margin)
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
        self.doses[side as usize] = [0.0; 3];
        self.spent_at[side as usize] = [None; 3];
        self.worst[side as usize] = None;
    }

    fn dose(&mut self, side: Side, beyond: f64, hours: f64, at: Timestamp) {
        let Some(bears) = side.bears() else { return };
        for which in 0..3 {
            let dose = &mut self.doses[side as usize][which];
            *dose = passed(*dose, beyond - bears.beyond[which], hours, bears.dose[which]);
            let spent_at = &mut self.spent_at[side as usize][which];
            if *dose >= bears.dose[which] {
                spent_at.get_or_insert(at);
            } else {
                *spent_at = None;
            }
        }
    }

    fn harm(&self, side: Side, (value, limit): (f64, f64), accuracy: f64, at: Timestamp) -> Option<Harm> {
        let bears = side.bears()?;
        let trail = match side {
            Side::Warm | Side::Cold => &self.temperature,
            Side::Damp | Side::Dry => &self.humidity,
        };
        let outlook = trail.outlook(at, value);
        let spent_at = |which: usize, off: f64| {
            let within = self.within(side, GOES_FURTHER[which]);
            self.spent_at[side as usize][which].or_else(|| {
                let ahead = outlook.ahead(side.faces()[which], side.beyond(off, 0.0));
                let mut ahead = ahead.map(|value| value.max(within.0).min(within.1));
                let dose = self.doses[side as usize][which];
                let hours = spent_in(side, &mut ahead, dose, limit, (bears.beyond[which], bears.dose[which]))?;
                Some(Harm::after(at, hours, hours, hours).early)
            })
        };
        let off = TENTH_OF_LIMITS * accuracy;
        let early = spent_at(0, off)?;
        let never = Harm::never(at);
        let likely = spent_at(1, 0.0).unwrap_or(never).max(early);
        Some(Harm { early, likely, late: spent_at(2, -off).unwrap_or(never).max(likely) })
    }
}

/// A dose after some hours so far beyond what is borne; in good air it fades.
fn passed(dose: f64, beyond: f64, hours: f64, harmed_at: f64) -> f64 {
    if beyond > 0.0 {
        (dose + beyond * hours).min(harmed_at)
    } else {
        (dose - harmed_at / FADES_OVER_HOURS * hours).max(0.0)
    }
}

/// Hours until a dose is full in air to come, in steps; `None`: not in it.
fn spent_in(
    side: Side,
    ahead: &mut dyn Iterator<Item = f64>,
    mut dose: f64,
    limit: f64,
    (bears, harmed_at): (f64, f64),
) -> Option<f64> {
    for (step, value) in ahead.enumerate() {
        if side == Side::Cold && value <= FREEZING {
            return Some(step as f64 * STEP_HOURS);
        }
        let before = dose;
        dose = passed(dose, side.beyond(value, limit) - bears, STEP_HOURS, harmed_at);
        if dose >= harmed_at {
            let share = ((harmed_at - before) / (dose - before)).clamp(0.0, 1.0);
            return Some((step as f64 + share) * STEP_HOURS);
        }
    }
    None
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
            let mut first = None;
            watch.minute(
                at,
                air,
                &demand,
                "Rack A",
                |_| false,
                |_, condition| first = first.take().or(Some(condition)),
            );
            let Some(condition) = first else { panic!("every side is judged") };
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
    fn a_minute_knows_what_its_air_still_takes_up_only_where_both_are_known() {
        let known = AirMinute { temperature: Some(22.0), humidity: Some(60.0), ..AirMinute::default() };
        // 40 % of 2.645 kPa.
        assert!((known.deficit().expect("both are known") - 1.058).abs() < 0.002, "{:?}", known.deficit());
        assert_eq!(AirMinute { humidity: None, ..known }.deficit(), None);
    }

    #[test]
    fn air_that_rises_fast_is_not_forecast_far_beyond_what_its_place_has_seen() {
        let rising: Vec<f64> = (0..40).map(|minute| 25.0 + 5.0 * f64::from(minute) / 60.0).collect();
        let harm = warm(&rising).expect("it is beyond its limit");
        assert!(harm.likely - after(40) > TimeDelta::hours(6), "{harm:?}");
    }

    #[test]
    fn eight_kelvin_for_an_hour_harm_and_one_for_eight_do_not() {
        assert_eq!(warm(&[LIMIT + 1.0; 480]), None, "even a tender one bears it");
        let much = warm(&[LIMIT + 8.0; 80]).expect("beyond its limit");
        assert!(much.likely <= after(80), "{much:?}");
    }

    #[test]
    fn what_a_tender_one_does_not_bear_and_a_hardy_one_does_is_never_sure() {
        let harm = warm(&[LIMIT + 4.0; 300]).expect("beyond what a tender one bears");
        assert!(harm.early <= after(300), "{harm:?}");
        let chance = harm.chance_before(after(300) + TimeDelta::days(3));
        assert!((0.5..=0.7).contains(&chance), "{chance}: {harm:?}");
    }
}
