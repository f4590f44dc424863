//! What a life in steps comes to, stage by stage, and where nothing was known.

use super::lives::Life;
use super::quantile::quantile;
use super::walk::{LivedStep, STEP, STEP_HOURS, Walked};
use crate::engine::physics::climate::{dew_point, vapour_pressure_deficit};
use crate::engine::rules::Rules;
use crate::engine::watch::band::demand_of;
use crate::engine::watch::dryout::LOGGED_WATERINGS;
use crate::engine::watch::trays::tray::Stage;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::TimeDelta;
use serde::Serialize;

/// From here air is called damp: surfaces wet at 90 % stay wet down to it (hysteresis
/// 90 on, 85 off: own default).
pub(crate) const DAMP_FROM: f64 = 85.0;
/// A shorter gap is no hole. Own default.
const HOLE: TimeDelta = TimeDelta::minutes(30);

/// One stage and its figures.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct StageTrace {
    /// The stage that was lived through.
    pub stage: Stage,
    /// When the tray entered the stage.
    pub from: Timestamp,
    /// When the tray left it, or the end of what is known.
    pub until: Timestamp,
    /// When it should have ended by the crop's plan.
    planned_until: Timestamp,
    /// Celsius.
    pub temperature: Option<Spread>,
    /// Per cent.
    pub humidity: Option<Spread>,
    /// Kilopascals.
    pub(crate) vpd: Option<Spread>,
    /// Celsius.
    pub dew_point: Option<Spread>,
    /// Lowest and highest temperature of the crop's band, Celsius.
    pub(crate) temperature_band: (Option<f64>, Option<f64>),
    /// Hours below, inside and above it.
    pub(crate) temperature_hours: [f64; 3],
    /// Lowest and highest humidity of the crop's band, per cent; none under a cover.
    pub(crate) humidity_band: (Option<f64>, Option<f64>),
    /// Hours below, inside and above it.
    pub(crate) humidity_hours: [f64; 3],
    /// Above so many per cent the air alarms; none under a cover.
    pub(crate) humidity_alarms_above: Option<f64>,
    /// Hours above that.
    pub(crate) alarming_damp_hours: f64,
    /// The longest spell of damp air, hours.
    pub(crate) longest_damp_hours: f64,
    /// The highest mold pressure, 0 to 100; `None` under a cover, where it says nothing.
    pub(crate) mold_pressure: Option<f64>,
    /// Waterings logged.
    pub waterings: u32,
    /// The longest time without one, hours, counted within the stage.
    pub(crate) longest_water_gap_hours: Option<f64>,
    /// Hours in which its water was used up by estimate; `None`: too few waterings logged.
    pub dry_hours: Option<f64>,
    /// Hours in which its air was not known.
    pub(crate) unknown_hours: f64,
}

/// How a figure was spread over a stage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Spread {
    /// Lowest.
    pub low: f64,
    /// A twentieth lay below.
    pub(crate) p05: f64,
    /// Mean.
    pub mean: f64,
    /// A twentieth lay above.
    pub(crate) p95: f64,
    /// Highest.
    pub high: f64,
}

/// The stages of a life and their figures.
pub(crate) fn stages(rules: &Rules, life: &Life, walked: &Walked) -> Vec<StageTrace> {
    let runs = walked.slots.chunk_by(|one, next| one.stage == next.stage);
    runs.filter_map(|run| {
        let (first, last) = (run.first()?, run.last()?);
        let until = (last.at + STEP).min(walked.until);
        (until - first.at >= STEP).then(|| stage(rules, life, walked, run, first.at, until))
    })
    .collect()
}

fn stage(
    rules: &Rules,
    life: &Life,
    walked: &Walked,
    run: &[LivedStep],
    from: Timestamp,
    until: Timestamp,
) -> StageTrace {
    let which = run[0].stage;
    let tray = life.as_of(from);
    let demand = demand_of(rules, tray.place, &[&tray], true, from);
    let band = demand.band;
    let of = |value: &dyn Fn(f64, f64) -> Option<f64>| -> Vec<f64> {
        run.iter().filter_map(|slot| slot.air.and_then(|(celsius, percent)| value(celsius, percent))).collect()
    };
    let temperature = of(&|celsius, _| Some(celsius));
    let humidity = of(&|_, percent| Some(percent));
    let vpd = of(&|celsius, percent| Some(vapour_pressure_deficit(Celsius(celsius), RelativeHumidity(percent)).0));
    let dew = of(&|celsius, percent| Some(dew_point(Celsius(celsius), RelativeHumidity(percent))?.0));
    let waterings: Vec<Timestamp> = walked.waterings.iter().copied().filter(|at| (from..until).contains(at)).collect();
    let hours = |slots: usize| slots as f64 * STEP_HOURS;
    StageTrace {
        stage: which,
        from,
        until,
        planned_until: match which {
            Stage::Soak | Stage::Germination => tray.weight_off_at().unwrap_or(tray.light_due_at()),
            Stage::Blackout => tray.light_due_at(),
            Stage::Light => tray.harvest_from(),
            Stage::Ready => tray.harvest_to(),
        },
        temperature_hours: in_band(&temperature, band.temperature_min, band.temperature_max),
        humidity_hours: in_band(&humidity, band.humidity_min, band.humidity_max),
        temperature: spread(temperature),
        humidity: spread(humidity),
        vpd: spread(vpd),
        dew_point: spread(dew),
        temperature_band: (band.temperature_min, band.temperature_max),
        humidity_band: (band.humidity_min, band.humidity_max),
        humidity_alarms_above: demand.limits.humidity_max,
        alarming_damp_hours: hours(
            run.iter().filter(|slot| slot.air.zip(slot.too_damp).is_some_and(|(air, limit)| air.1 > limit)).count(),
        ),
        longest_damp_hours: longest(run, |slot| slot.air.is_some_and(|air| air.1 >= DAMP_FROM)),
        mold_pressure: run.iter().filter(|slot| slot.open).map(|slot| slot.pressure).reduce(f64::max),
        longest_water_gap_hours: (!waterings.is_empty()).then(|| longest_gap(&waterings, from, until)),
        waterings: waterings.len() as u32,
        dry_hours: (walked.waterings.len() >= LOGGED_WATERINGS as usize)
            .then(|| hours(run.iter().filter(|slot| slot.dry).count())),
        unknown_hours: hours(run.iter().filter(|slot| slot.air.is_none()).count()),
    }
}

/// The longest unbroken spell, hours. A step in which the air was not known breaks it.
pub(crate) fn longest(slots: &[LivedStep], holds: impl Fn(&LivedStep) -> bool) -> f64 {
    let (mut now, mut most) = (0_u32, 0_u32);
    for slot in slots {
        now = if holds(slot) { now + 1 } else { 0 };
        most = most.max(now);
    }
    f64::from(most) * STEP_HOURS
}

/// The longest time without one of these moments, hours, the ends of the span counted.
pub(super) fn longest_gap(moments: &[Timestamp], from: Timestamp, until: Timestamp) -> f64 {
    let inside = moments.iter().copied().filter(|at| (from..until).contains(at));
    let all: Vec<Timestamp> = std::iter::once(from).chain(inside).chain(std::iter::once(until)).collect();
    all.windows(2).map(|pair| (pair[1] - pair[0]).num_minutes() as f64 / 60.0).fold(0.0, f64::max)
}

/// Spans in which its air was not known.
pub(crate) fn holes(walked: &Walked) -> Vec<(Timestamp, Timestamp)> {
    let runs = walked.slots.chunk_by(|one, next| one.air.is_none() == next.air.is_none());
    runs.filter_map(|run| {
        let (first, last) = (run.first()?, run.last()?);
        let hole = (first.at, last.at + STEP);
        (first.air.is_none() && hole.1 - hole.0 > HOLE).then_some(hole)
    })
    .collect()
}

fn in_band(values: &[f64], low: Option<f64>, high: Option<f64>) -> [f64; 3] {
    let mut hours = [0.0; 3];
    for value in values {
        let below = low.is_some_and(|low| *value < low);
        let above = high.is_some_and(|high| *value > high);
        hours[if below {
            0
        } else if above {
            2
        } else {
            1
        }] += STEP_HOURS;
    }
    hours
}

fn spread(mut values: Vec<f64>) -> Option<Spread> {
    values.sort_by(f64::total_cmp);
    let (low, high) = (*values.first()?, *values.last()?);
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    Some(Spread { low, p05: quantile(&values, 0.05), mean, p95: quantile(&values, 0.95), high })
}
