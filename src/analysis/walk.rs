//! A tray's life lived through again in even steps, with the engine's own mold clock and
//! water store. The known air is handed in; what the steps come to is asked of the result.

use super::lives::Life;
use super::place_air::humidity_accuracy;
use crate::engine::physics::climate::{dew_point, vapour_pressure_deficit};
use crate::engine::physics::dryness::{Coefficient, Medium, MediumWater};
use crate::engine::physics::mold_pressure::MoldPressure;
use crate::engine::rules::Rules;
use crate::engine::watch::dryout::{LOGGED_WATERINGS, MEDIUM_DEPTH_MM, drawn_by_theory};
use crate::engine::watch::stand::tray_air;
use crate::engine::watch::trays::tray::Stage;
use crate::journal::Did;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::TimeDelta;
use serde::Serialize;
use std::collections::BTreeMap;

/// The length of a step. Own default: the models take minutes or hours alike.
pub const STEP: TimeDelta = TimeDelta::minutes(10);
/// Hours a step.
pub(super) const STEP_HOURS: f64 = 1.0 / 6.0;

/// The air of one step as the sensors of the place had it, where both were believed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KnownAir {
    /// When the step began.
    pub at: Timestamp,
    /// Temperature, Celsius.
    pub celsius: f64,
    /// Relative humidity, per cent.
    pub(crate) percent: f64,
}

/// The air of one step of a life as data.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AirStep {
    /// When it began.
    pub at: Timestamp,
    /// Celsius.
    pub temperature: Option<f64>,
    /// Per cent.
    pub humidity: Option<f64>,
    /// Kilopascals.
    pub(crate) vpd: Option<f64>,
    /// Celsius.
    pub dew_point: Option<f64>,
    /// 0 to 100; `None` under a cover.
    pub(crate) mold_pressure: Option<f64>,
}

/// One step of a life.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LivedStep {
    /// When it began.
    pub at: Timestamp,
    /// The tray's stage then.
    pub stage: Stage,
    /// Celsius and per cent, if both were known.
    pub air: Option<(f64, f64)>,
    /// The air is judged as that of a tray in light.
    pub open: bool,
    /// Mold pressure at its end, 0 to 100.
    pub pressure: f64,
    /// Its leaves were still wet from misting.
    pub misted: bool,
    /// Its water was used up by estimate.
    pub dry: bool,
    /// Highest temperature before the alarm, Celsius.
    pub(crate) too_warm: Option<f64>,
    /// Lowest temperature before the alarm, Celsius.
    pub(super) too_cold: Option<f64>,
    /// Highest humidity before the alarm, per cent.
    pub(super) too_damp: Option<f64>,
}

/// A life in steps.
#[derive(Clone, Debug)]
pub struct Walked {
    /// When it was sown.
    pub(crate) sown_at: Timestamp,
    /// When it ended, or until when it was lived through.
    pub until: Timestamp,
    /// When it came to the light by the log.
    pub light_at: Option<Timestamp>,
    /// When it should have come to the light.
    pub(crate) light_due_at: Timestamp,
    /// Its steps, ascending.
    pub(super) slots: Vec<LivedStep>,
    /// When it was watered.
    pub waterings: Vec<Timestamp>,
    /// When it was misted.
    pub(super) mistings: Vec<Timestamp>,
}

impl Walked {
    /// The last moment under the cover, or the end.
    pub(super) fn uncovered_at(&self) -> Timestamp {
        self.light_at.unwrap_or(self.until).min(self.until)
    }

    /// Its air as data.
    pub fn steps(&self) -> Vec<AirStep> {
        let of = |slot: &LivedStep| {
            let air = slot.air.map(|(celsius, percent)| (Celsius(celsius), RelativeHumidity(percent)));
            AirStep {
                at: slot.at,
                temperature: slot.air.map(|air| air.0),
                humidity: slot.air.map(|air| air.1),
                vpd: air.map(|(celsius, percent)| vapour_pressure_deficit(celsius, percent).0),
                dew_point: air.and_then(|(celsius, percent)| dew_point(celsius, percent)).map(|dew| dew.0),
                mold_pressure: slot.open.then_some(slot.pressure),
            }
        };
        self.slots.iter().map(of).collect()
    }
}

/// Lives it through. `known` is ascending.
pub fn walk(rules: &Rules, life: &Life, known: &[KnownAir], now: Timestamp) -> Walked {
    let zone = rules.site.time_zone;
    let (sown_at, until) = (life.tray.sown_at, life.until(now).min(now));
    let nth = |at: Timestamp| (at - sown_at).num_seconds().div_euclid(STEP.num_seconds());
    let air: BTreeMap<i64, (f64, f64)> = known.iter().map(|air| (nth(air.at), (air.celsius, air.percent))).collect();
    let done = |wanted: fn(&Did) -> bool| -> Vec<Timestamp> {
        life.actions.iter().filter(|action| wanted(&action.did)).map(|action| action.at).collect()
    };
    let waterings = done(|did| matches!(did, Did::Water { .. }));
    let mistings = done(|did| matches!(did, Did::Mist(_)));
    let logged = waterings.len() >= LOGGED_WATERINGS as usize;
    let soaked = MediumWater::full(Medium::Fine.available_grams(MEDIUM_DEPTH_MM));
    let (mut clock, mut water) = (MoldPressure::new(&life.tray.figures.family), soaked);
    let mut next_water = waterings.iter().peekable();
    let mut next_mist = mistings.iter().peekable();
    let mut slots = Vec::new();
    let mut at = sown_at;
    while at < until {
        while next_water.next_if(|watered| **watered <= at).is_some() {
            water = soaked;
        }
        let tray = life.as_of(at);
        let open = tray.breathes_room_air(at);
        while next_mist.next_if(|misted| **misted <= at).is_some() {
            // A mist under the cover has no air to dry in and is not told as wet leaves in light.
            if open {
                clock.wet_from_above();
            }
        }
        let here = air.get(&nth(at)).copied();
        let mut misted = false;
        if let Some((celsius, percent)) = here {
            let air = tray_air(at, zone, celsius, percent, humidity_accuracy(rules, tray.place));
            if open {
                misted = clock.hours_until_dry(&air) != Some(0.0);
                clock.advance(STEP_HOURS, &air);
            }
            water.draw(Coefficient::default().mean() * drawn_by_theory(at, zone, &tray, &air) * STEP_HOURS);
        }
        let limits = crate::engine::watch::band::demand_of(rules, tray.place, &[&tray], true, at).limits;
        slots.push(LivedStep {
            at,
            stage: tray.stage(at),
            air: here,
            open,
            pressure: clock.pressure(),
            misted,
            dry: logged && water.grams() <= 0.0,
            too_warm: limits.temperature_max,
            too_cold: limits.temperature_min,
            too_damp: limits.humidity_max,
        });
        at += STEP;
    }
    Walked {
        sown_at,
        until,
        light_at: life.tray.light_at,
        light_due_at: life.tray.light_due_at(),
        slots,
        waterings,
        mistings,
    }
}
