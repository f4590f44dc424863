//! Hours until a tray is dry. The form of the draw comes from `canopy`, its
//! size is learned, one coefficient for a place, from what the grower pours or
//! the reservoir loses. It is an estimate from the log, not the state of a plant.

use crate::float;
use crate::physics::canopy::{Canopy, TRAY_SQUARE_METRES};
use crate::physics::climate::TENTH_OF_LIMITS;
use crate::units::{Celsius, RelativeHumidity};
use crate::watch::trays::tray::Stage;

/// Beyond this nothing is promised, hours: tomorrow's air is not known.
pub const HORIZON_HOURS: usize = 24;

/// How well an amount of water from the grower's log is known, as a share of it (ours).
pub(crate) const LOG_ERROR: f64 = 0.15;

/// How well the water that a soaked tray can give is known, as a share of it: fine media are
/// given as 20 to 30 % of their volume, here 25 (De Boodt and Verdonck 1972, from memory).
const MEDIUM_ERROR: f64 = 0.20;

/// What a tray may hold beyond what the log gives it, as a share of what its medium holds: entries
/// that nobody typed add up. Own default.
const UNWRITTEN: f64 = 0.5;

/// How well a draw measured in the reservoir is known, as a share of it (ours).
pub(crate) const RESERVOIR_ERROR: f64 = 0.10;

/// Water one standard tray can give its plants, grams: what a layer of medium
/// holds between 1 and 5 kPa of suction. Kinds of medium differ more than crops.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Medium {
    /// Peat mix or fine coir; 25 % of its volume (De Boodt and Verdonck 1972, from memory: 20 to 30 %).
    Fine,
    /// Coarse coir; 8 % (Abad et al. 2005, HortScience 40: under 1 to 36 %).
    CoarseCoir,
    /// A fibre mat; 30 % (ours, no source).
    FibreMat,
}

impl Medium {
    /// Grams in a layer of so many millimetres, 0 to 200.
    pub fn available_grams(self, depth_mm: f64) -> f64 {
        let share = match self {
            Medium::Fine => 0.25,
            Medium::CoarseCoir => 0.08,
            Medium::FibreMat => 0.30,
        };
        share * TRAY_SQUARE_METRES * depth_mm.clamp(0.0, 200.0) * 1000.0
    }
}

/// The form of a tray's draw by theory, grams an hour, before the learned
/// coefficient. `grown` is how far through its days in light the tray is, 0 to
/// 1, and `light` in µmol/(m² s). Under a cover a twentieth of a tray of
/// seedlings is taken (ours).
///
/// Leaf area index 0.75 when uncovered, 4 at harvest, in a straight line (ours).
pub(crate) fn draw_shape(
    stage: Stage,
    grown: f64,
    light: f64,
    air_speed: f64,
    t: Celsius,
    humidity: RelativeHumidity,
) -> f64 {
    let share = match stage {
        Stage::Soak | Stage::Germination | Stage::Blackout => 0.0,
        Stage::Light => grown.clamp(0.0, 1.0),
        Stage::Ready => 1.0,
    };
    let leaf_area_index = LEAVES_UNCOVERED + (LEAVES_HARVEST - LEAVES_UNCOVERED) * share;
    let covered = stage.covered();
    let light = if covered { 0.0 } else { light };
    let grams = Canopy { leaf_area_index, light, air_speed, canopy_resistance: 0.0 }.tray_grams_per_hour(t, humidity);
    if covered { COVERED_SHARE * grams } else { grams }
}

/// What became of an observation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lesson {
    /// The coefficient has moved towards it.
    Taken,
    /// It is too far from everything known, or no amount at all, and was left out.
    Rejected,
}

/// How many times the theoretical draw a place really draws, with its standard
/// deviation. Holds, hidden in it, what theory does not know: the leaves' two
/// sides, the still air among them, water that stays in the crop.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Coefficient {
    mean: f64,
    deviation: f64,
}

impl Default for Coefficient {
    /// 0.55 ± 0.25: practice (237 mL a day) over theory (450 g), before anything is learned (ours).
    fn default() -> Self {
        Coefficient { mean: 0.55, deviation: DEVIATION_UNTAUGHT }
    }
}

impl Coefficient {
    /// The best estimate, 0.1 to 2.
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Learns from one span between waterings: `observed` grams a tray where
    /// theory summed up to `shape` grams, known to a share of `error`. A normal
    /// update by precision; an observation more than four standard deviations
    /// off, or outside 0.1 to 2, is rejected.
    pub(crate) fn learn(&mut self, observed: f64, shape: f64, error: f64) -> Lesson {
        let ratio = observed / shape;
        let noise = float::square(error.clamp(0.01, 1.0) * ratio);
        let known = float::square(self.deviation);
        // The error is a share of the ratio: an absurdly small one would count as absurdly well known.
        let sane = observed > 0.0 && shape > 0.0 && (LEAST..=MOST).contains(&ratio) && noise.is_finite();
        if !sane || (ratio - self.mean).abs() > REJECT_DEVIATIONS * float::sqrt(known + noise) {
            return Lesson::Rejected;
        }
        let precision = 1.0 / known + 1.0 / noise;
        self.mean = ((self.mean / known + ratio / noise) / precision).clamp(LEAST, MOST);
        self.deviation = float::sqrt(precision.recip());
        Lesson::Taken
    }

    /// Lets what was learned grow uncertain: 0.05 squared a day, up to what was
    /// known at the beginning. Rooms change with the season.
    pub fn forget(&mut self, days: f64) {
        if days > 0.0 {
            let variance = float::square(self.deviation) + float::square(FORGET_A_DAY) * days;
            self.deviation = float::sqrt(variance).min(DEVIATION_UNTAUGHT);
        }
    }

    /// The coefficient so many standard deviations above its mean, at it, and as many below.
    fn band(&self, deviations: f64) -> [f64; 3] {
        let off = deviations * self.deviation;
        [self.mean + off, self.mean, (self.mean - off).max(LEAST)]
    }
}

/// Water a tray still has for its plants, grams.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MediumWater {
    grams: f64,
    most: f64,
}

impl MediumWater {
    /// A tray just soaked, whose medium can give `most` grams.
    pub fn full(most: f64) -> Self {
        let most = most.max(0.0);
        MediumWater { grams: most, most }
    }

    /// Water was given; what the medium cannot hold runs through.
    pub fn pour(&mut self, grams: f64) {
        self.grams = (self.grams.max(0.0) + grams.max(0.0)).min(self.most);
    }

    /// What is left if its medium gives the least that such media are given as.
    pub fn at_least(self) -> Self {
        MediumWater { grams: (self.grams - MEDIUM_ERROR * self.most).max(0.0), ..self }
    }

    /// What may be left if waterings were given that nobody wrote down, or its medium holds more
    /// than such media do.
    pub fn at_most(self) -> Self {
        MediumWater { grams: self.grams + UNWRITTEN * self.most, ..self }
    }

    /// The plants took water.
    pub fn draw(&mut self, grams: f64) {
        // What there may be more of than was reckoned is drawn next.
        self.grams = (self.grams - grams.max(0.0)).max(-UNWRITTEN * self.most);
    }

    /// What is left, grams.
    pub fn grams(&self) -> f64 {
        self.grams.max(0.0)
    }
}

/// The draw by theory in one hour to come, grams: at the likely humidity and at
/// the ends of the sensor's accuracy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HourAhead {
    /// Were the air as dry as the sensor's accuracy allows.
    pub(crate) driest: f64,
    /// At the humidity the sensor gave.
    pub(crate) likely: f64,
    /// Were the air as damp as the sensor's accuracy allows.
    pub(crate) dampest: f64,
}

/// Hours until the water is used up; `None` is "not within the horizon".
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DryIn {
    /// A tenth of the chance lies before it: more draw, drier air.
    pub early: Option<f64>,
    /// At the best estimate.
    pub likely: Option<f64>,
    /// A tenth of the chance lies after it: less draw, damper air.
    pub late: Option<f64>,
}

/// Hours until a tray is dry, from the forecast of its draw by theory hour by
/// hour (yesterday's air at the same hours is a fair guess). Looks at most
/// [`HORIZON_HOURS`] ahead.
pub(crate) fn dry_in(store: MediumWater, coefficient: Coefficient, ahead: &[HourAhead]) -> DryIn {
    let ahead = &ahead[..ahead.len().min(HORIZON_HOURS)];
    let [more, likely, less] = coefficient.band(TENTH_IN_DEVIATIONS);
    // The errors of coefficient and hygrometer have nothing to do with each other: they add up
    // by their squares (JCGM 100:2008, 5.1.2).
    let off = |taught: f64, air: f64, hour: &HourAhead| {
        let by_air = likely * (air - hour.likely) * TENTH_OF_LIMITS;
        let by_taught = (taught - likely) * hour.likely;
        float::hypot(by_air, by_taught)
    };
    DryIn {
        early: used_up(store.grams, ahead.iter().map(|hour| likely * hour.likely + off(more, hour.driest, hour))),
        likely: used_up(store.grams, ahead.iter().map(|hour| likely * hour.likely)),
        late: used_up(store.grams, ahead.iter().map(|hour| likely * hour.likely - off(less, hour.dampest, hour))),
    }
}

/// Hours until `grams` are drawn at these grams an hour.
fn used_up(grams: f64, draws: impl Iterator<Item = f64>) -> Option<f64> {
    let mut left = grams;
    if left <= 0.0 {
        return Some(0.0);
    }
    for (hours, draw) in draws.enumerate() {
        if draw >= left {
            return Some(hours as f64 + left / draw);
        }
        left -= draw.max(0.0);
    }
    None
}

/// A tenth of a normal distribution lies beyond so many standard deviations.
const TENTH_IN_DEVIATIONS: f64 = 1.2816;
const LEAVES_UNCOVERED: f64 = 0.75;
const LEAVES_HARVEST: f64 = 4.0;
const COVERED_SHARE: f64 = 0.05;
const DEVIATION_UNTAUGHT: f64 = 0.25;
const FORGET_A_DAY: f64 = 0.05;
const REJECT_DEVIATIONS: f64 = 4.0;
/// No place draws a tenth of theory or twice of it; there the log is wrong.
const LEAST: f64 = 0.1;
const MOST: f64 = 2.0;

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    fn taught() -> Coefficient {
        let mut coefficient = Coefficient::default();
        for (shape, observed) in [(450.421, 236.0), (527.098, 281.0), (342.153, 190.0)] {
            assert_eq!(coefficient.learn(observed, shape, LOG_ERROR), Lesson::Taken);
        }
        coefficient
    }

    #[test]
    fn a_medium_that_has_long_been_dry_is_dry_for_certain_too() {
        let mut water = MediumWater::full(1000.0);
        let ahead = [HourAhead { driest: 20.0, likely: 20.0, dampest: 20.0 }; HORIZON_HOURS];
        let late = |water: MediumWater| dry_in(water.at_most(), Coefficient::default(), &ahead).late;
        water.draw(1000.0);
        let just_dry = late(water);
        water.draw(1000.0);
        assert!(just_dry.is_none_or(|hours| hours > 1.0) && late(water) == Some(0.0), "{just_dry:?}");
        assert_eq!(water.grams(), 0.0);
        water.pour(300.0);
        assert_eq!(water.grams(), 300.0, "what is poured is there, whatever was missing");
    }

    /// dryout_worked_example.csv: our own transcription, a test of typing.
    #[test]
    fn three_waterings_teach_the_coefficient_of_the_worked_example() {
        let coefficient = taught();
        assert!((coefficient.mean() - 0.53726).abs() < 1e-4, "{coefficient:?}");
        assert!((coefficient.deviation - 0.04572).abs() < 1e-4, "{coefficient:?}");
    }

    #[test]
    fn the_tray_of_the_worked_example_lasts_26_hours() {
        // 150 mL left, dark, 21 °C and 70 %; more than the horizon promises, so the walk alone is asked.
        let shape = Canopy { leaf_area_index: 3.0, light: 0.0, air_speed: 0.2, canopy_resistance: 0.0 }
            .tray_grams_per_hour(Celsius(21.0), RelativeHumidity(70.0));
        for (factor, hours) in taught().band(2.0).into_iter().zip([22.6, 26.50, 31.9]) {
            let found = used_up(150.0, core::iter::repeat_n(factor * shape, 40)).unwrap();
            assert!((found - hours).abs() < 0.06, "{found} {hours}");
        }
    }

    #[test]
    fn nothing_is_promised_beyond_a_day() {
        let slow = [HourAhead { driest: 1.0, likely: 1.0, dampest: 1.0 }; 100];
        let dry = dry_in(MediumWater::full(50.0), Coefficient::default(), &slow);
        assert_eq!(dry, DryIn { early: None, likely: None, late: None });
        let dry = dry_in(MediumWater::full(20.0), Coefficient::default(), &slow);
        assert!((dry.early.unwrap() - 20.0 / (0.55 + 1.2816 * 0.25)).abs() < 1e-9);
        assert_eq!((dry.likely, dry.late), (None, None));
    }

    #[test]
    fn a_watering_far_from_all_others_is_rejected() {
        let mut coefficient = taught();
        let before = coefficient;
        assert_eq!(coefficient.learn(20.0, 450.0, LOG_ERROR), Lesson::Rejected);
        assert_eq!(coefficient.learn(60.0, 450.0, LOG_ERROR), Lesson::Rejected, "elsewhere it could be");
        for nonsense in [0.0, -5.0, f64::NAN, f64::INFINITY] {
            assert_eq!(coefficient.learn(nonsense, 450.0, LOG_ERROR), Lesson::Rejected);
            assert_eq!(coefficient.learn(236.0, nonsense, LOG_ERROR), Lesson::Rejected);
        }
        assert_eq!(coefficient, before);
    }

    #[test]
    fn what_was_learned_fades_but_never_below_the_beginning() {
        let mut coefficient = taught();
        coefficient.forget(4.0);
        assert!((coefficient.deviation - float::sqrt(float::square(0.04572) + 0.01)).abs() < 1e-4);
        coefficient.forget(1000.0);
        assert_eq!(coefficient.deviation, Coefficient::default().deviation);
    }

    /// The engine is rebuilt from the last ten days of the store; what a place taught before is
    /// not needed.
    #[test]
    fn ten_days_of_waterings_teach_what_months_of_them_would() {
        let taught_from = |first_day: i32| {
            let mut coefficient = Coefficient::default();
            for round in first_day * 2..120 {
                let day = f64::from(round) / 2.0;
                // Drier and damper weeks, and a log that is a tenth off one way or the other.
                let ratio = (0.6 + 0.15 * libm::sin(day / 9.0)) * if round % 3 == 0 { 1.1 } else { 0.95 };
                coefficient.learn(250.0 * ratio, 250.0, LOG_ERROR);
                coefficient.forget(0.5);
            }
            coefficient
        };
        let (months, ten_days) = (taught_from(0), taught_from(50));
        assert!((months.mean() / ten_days.mean() - 1.0).abs() < 0.01, "{months:?} {ten_days:?}");
        assert!((months.deviation / ten_days.deviation - 1.0).abs() < 0.05, "{months:?} {ten_days:?}");
    }

    #[test]
    fn a_tray_holds_no_more_than_its_medium() {
        assert!((Medium::Fine.available_grams(25.0) - 806.0).abs() < 1.0); // medium_water.csv
        assert!((Medium::CoarseCoir.available_grams(30.0) - 310.0).abs() < 1.0);
        let mut store = MediumWater::full(200.0);
        store.draw(150.0);
        store.pour(500.0);
        assert_eq!(store.grams(), 200.0);
        store.draw(900.0);
        assert_eq!(store.grams(), 0.0);
        assert_eq!(dry_in(store, Coefficient::default(), &[]).early, Some(0.0));
    }

    #[test]
    fn a_tray_draws_more_the_further_it_is_grown_and_next_to_nothing_covered() {
        let at = |stage, grown| draw_shape(stage, grown, 150.0, 0.2, Celsius(22.0), RelativeHumidity(60.0));
        assert!(at(Stage::Blackout, 0.0) < 0.1 * at(Stage::Light, 0.0));
        assert!(at(Stage::Light, 0.0) < at(Stage::Light, 0.5) && at(Stage::Light, 0.5) < at(Stage::Ready, 0.0));
    }

    proptest! {
        #[test]
        fn no_lesson_leaves_the_coefficient_out_of_bounds(
            lessons in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY, proptest::num::f64::ANY), 0..20)
        ) {
            let mut coefficient = Coefficient::default();
            for (observed, shape, error) in lessons {
                coefficient.learn(observed, shape, error);
                coefficient.forget(error);
                prop_assert!((0.1..=2.0).contains(&coefficient.mean()));
                prop_assert!(coefficient.deviation > 0.0 && coefficient.deviation <= 0.25);
            }
        }

        #[test]
        fn early_comes_before_likely_and_likely_before_late(grams in 0.0..900.0, draws in proptest::collection::vec(0.0..60.0, 24)) {
            let ahead: Vec<HourAhead> =
                draws.iter().map(|d| HourAhead { driest: d * 1.1, likely: *d, dampest: d * 0.9 }).collect();
            let dry = dry_in(MediumWater::full(grams), taught(), &ahead);
            let hours = |end: Option<f64>| end.unwrap_or(f64::INFINITY);
            prop_assert!(hours(dry.early) <= hours(dry.likely) && hours(dry.likely) <= hours(dry.late));
        }
    }
}
