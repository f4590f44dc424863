//! How water leaves leaves: the resistances of Stanghellini and Graamans, from
//! which follow the draw of a tray and how long a film of water lasts. `dryness` and `mold` judge by it.
//!
//! Theory gives the form; its size is off by about two for trays (450 g a day
//! against 237 mL in practice), which `dryness` learns from the grower's log.

use crate::float;
use crate::physics::climate::{
    SEA_LEVEL, VAPOUR_GAS_CONSTANT, ZERO_CELSIUS, saturation_slope, vapour_pressure_deficit,
};
use crate::units::{Celsius, RelativeHumidity};

/// Area of a standard tray, square metres: 10 by 20 inches, nominal.
pub(crate) const TRAY_SQUARE_METRES: f64 = 0.254 * 0.508;

/// Air speed over trays where a fan runs, metres a second (our default; common practice is 0.1 to 0.5).
pub(crate) const FAN_AIR_SPEED: f64 = 0.2;

/// Water put on leaves by misting, grams a square metre of leaf (our default, 50 to 200).
pub(crate) const MISTED_FILM: f64 = 100.0;

/// A stand of leaves and what moves water off it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Canopy {
    /// Square metres of leaf over a square metre of tray, 0 to 8.
    pub leaf_area_index: f64,
    /// Photons of light, µmol/(m² s), 0 to 2000; 0 is dark.
    pub light: f64,
    /// Speed of the air over the leaves, m/s, 0.02 to 5.
    pub air_speed: f64,
    /// From among the leaves to the room, s/m, 0 to 1000; 0: the leaves stand in room air.
    pub canopy_resistance: f64,
}

impl Canopy {
    /// Water given off, grams an hour for each square metre of tray:
    /// `λE = (ε Rn + λ D/ra) / (ε + 1 + rs/ra)`, with `ra = rb/LAI + r_can` and
    /// `rs` over LAI (Stanghellini 1987; Graamans et al. 2017, Agric. Syst.
    /// 153:138-147). Never below zero: dew is not counted as watering.
    pub fn transpiration(&self, temperature: Celsius, humidity: RelativeHumidity) -> f64 {
        let leaves = self.leaf_area_index.clamp(0.0, 8.0);
        if leaves == 0.0 {
            return 0.0;
        }
        let light = self.light.clamp(0.0, 2000.0);
        let air_resistance = boundary_resistance(self.air_speed) / leaves + self.canopy_resistance.clamp(0.0, 1000.0);
        let leaf_resistance = stomatal_resistance(light) / leaves;
        let radiation = (1.0 - REFLECTED) * JOULES_PER_MICROMOL * light * (1.0 - float::exp(-EXTINCTION * leaves));
        penman_monteith(temperature, humidity, air_resistance, leaf_resistance, radiation)
    }

    /// Water given off by a standard tray, grams an hour.
    pub fn tray_grams_per_hour(&self, temperature: Celsius, humidity: RelativeHumidity) -> f64 {
        self.transpiration(temperature, humidity) * TRAY_SQUARE_METRES
    }
}

/// Humidity among the leaves where the stand is not known, fan running: a
/// quarter of the way to saturation in light, 17 % of it in the dark. Fits
/// the mass balance over a stand with a fan (tested) within 3 % between 50 and 80 %.
pub(crate) fn humidity_within_unknown_canopy(humidity: RelativeHumidity, lit: bool) -> RelativeHumidity {
    let room = humidity.0.clamp(0.0, 100.0);
    RelativeHumidity(room + (100.0 - room) * if lit { 0.25 } else { 0.17 })
}

/// Water lost by a wet leaf in the dark, grams an hour for each square metre of
/// one leaf side (Penman, no stomata).
pub(crate) fn film_loss(temperature: Celsius, humidity: RelativeHumidity, air_speed: f64) -> f64 {
    penman_monteith(temperature, humidity, boundary_resistance(air_speed), 0.0, 0.0)
}

/// Hours until a film of so many grams a square metre is gone; `None` where the
/// air takes nothing up.
pub fn drying_hours(film: f64, temperature: Celsius, humidity: RelativeHumidity, air_speed: f64) -> Option<f64> {
    let loss = film_loss(temperature, humidity, air_speed);
    let hours = film.max(0.0) / loss;
    (loss > 0.0 && hours.is_finite()).then_some(hours)
}

/// Water that leaves or wet surfaces give off, grams an hour for each square metre:
/// `λE = (ε Rn + λ D/ra) / (ε + 1 + rs/ra)` (Monteith 1965, in the form of Stanghellini 1987).
/// Resistances of the air and of the stomata in s/m, net radiation in W/m². Never below zero.
pub fn penman_monteith(
    t: Celsius,
    humidity: RelativeHumidity,
    air_resistance: f64,
    leaf_resistance: f64,
    radiation: f64,
) -> f64 {
    let celsius = t.0.clamp(-40.0, 100.0);
    let latent_heat = (2.501 - 0.002_361 * celsius) * 1e6;
    let psychrometric = AIR_HEAT_CAPACITY * SEA_LEVEL.0 / (0.622 * latent_heat);
    let slope_ratio = saturation_slope(t) / psychrometric;
    let lacking = vapour_pressure_deficit(t, humidity).0 * 1000.0 / (VAPOUR_GAS_CONSTANT * (celsius + ZERO_CELSIUS));
    let watts = (slope_ratio * radiation + latent_heat * lacking / air_resistance)
        / (slope_ratio + 1.0 + leaf_resistance / air_resistance);
    (watts / latent_heat * GRAMS_HOUR_PER_KILOGRAM_SECOND).max(0.0)
}

/// Resistance of the air layer on a leaf, s/m: `1174 √l / (l |ΔT| + 207 u²)^¼`
/// (Stanghellini 1987, p. 32), leaves of 15 mm, 1 K off the air.
fn boundary_resistance(air_speed: f64) -> f64 {
    let speed = air_speed.clamp(0.02, 5.0);
    1174.0 * float::sqrt(LEAF_METRES) / float::pow(LEAF_METRES * LEAF_KELVIN + 207.0 * speed * speed, 0.25)
}

/// Resistance of the stomata, s/m: `60 (1500 + PPFD) / (200 + PPFD)` (Graamans et al. 2017).
fn stomatal_resistance(light: f64) -> f64 {
    60.0 * (1500.0 + light) / (200.0 + light)
}

const GRAMS_HOUR_PER_KILOGRAM_SECOND: f64 = 3.6e6;
/// J/(kg K).
const AIR_HEAT_CAPACITY: f64 = 1013.0;
/// Cotyledons: 5 to 30 mm.
const LEAF_METRES: f64 = 0.015;
const LEAF_KELVIN: f64 = 1.0;
/// Share of light that dense leaves throw back (Graamans et al. 2017).
const REFLECTED: f64 = 0.06;
/// White LED light, from memory 0.20 to 0.23.
const JOULES_PER_MICROMOL: f64 = 0.22;
/// How fast light is lost on its way through the leaves.
const EXTINCTION: f64 = 0.7;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::climate::{saturation_pressure, vapour_pressure};
    use proptest::prelude::*;

    const STAND: Canopy = Canopy { leaf_area_index: 3.0, light: 150.0, air_speed: 0.2, canopy_resistance: 0.0 };

    fn near(found: f64, wanted: f64, relative: f64) {
        assert!((found - wanted).abs() <= relative * wanted.abs(), "found {found}, wanted {wanted}");
    }

    /// Humidity among the leaves, from that of the room: the vapour given off
    /// has to cross `canopy_resistance` (mass balance, air at room temperature).
    /// The room sensor is the lower bound of it.
    fn humidity_within(canopy: &Canopy, temperature: Celsius, humidity: RelativeHumidity) -> RelativeHumidity {
        let flux = canopy.transpiration(temperature, humidity) / GRAMS_HOUR_PER_KILOGRAM_SECOND;
        let kelvin = temperature.0.clamp(-40.0, 100.0) + ZERO_CELSIUS;
        let added = flux * canopy.canopy_resistance.clamp(0.0, 1000.0) * VAPOUR_GAS_CONSTANT * kelvin / 1000.0;
        let share = (vapour_pressure(temperature, humidity).0 + added) / saturation_pressure(temperature).0;
        RelativeHumidity((100.0 * share).clamp(0.0, 100.0))
    }

    /// indoor_et.csv: our own transcription in Python, so a test of typing, not of truth.
    #[test]
    fn a_tray_draws_what_the_equations_say() {
        for (t, rh, canopy, grams) in [
            (22.0, 60.0, STAND, 20.8131),
            (22.0, 60.0, Canopy { light: 0.0, ..STAND }, 14.6764),
            (22.0, 60.0, Canopy { air_speed: 0.5, ..STAND }, 24.7141),
            (22.0, 40.0, STAND, 30.3021),
            (22.0, 80.0, STAND, 11.3241),
            (18.0, 60.0, STAND, 17.7000),
            (26.0, 60.0, STAND, 24.1147),
            (22.0, 60.0, Canopy { light: 300.0, ..STAND }, 25.6561),
            (22.0, 60.0, Canopy { leaf_area_index: 1.0, ..STAND }, 7.3787),
        ] {
            near(canopy.tray_grams_per_hour(Celsius(t), RelativeHumidity(rh)), grams, 0.005);
        }
    }

    /// canopy_rh.csv, our own transcription.
    #[test]
    fn it_is_damper_among_the_leaves_than_in_the_room() {
        for (room, light, resistance, within) in [
            (40.0, 150.0, 100.0, 54.653),
            (60.0, 150.0, 50.0, 67.05),
            (60.0, 150.0, 200.0, 76.41),
            (80.0, 150.0, 100.0, 87.1),
            (60.0, 0.0, 100.0, 66.84),
            (60.0, 0.0, 200.0, 68.66),
        ] {
            let canopy = Canopy { light, canopy_resistance: resistance, ..STAND };
            near(humidity_within(&canopy, Celsius(22.0), RelativeHumidity(room)).0, within, 0.002);
        }
        for room in [50.0, 65.0, 80.0] {
            // A fan runs: 75 to 80 s/m closes the gap between theory and practice; 100 is our default.
            let canopy = Canopy { canopy_resistance: 100.0, ..STAND };
            let (full, short) = (
                humidity_within(&canopy, Celsius(22.0), RelativeHumidity(room)).0,
                humidity_within_unknown_canopy(RelativeHumidity(room), true).0,
            );
            assert!((full - short).abs() < 3.0, "{room}: {full} {short}");
        }
    }

    /// drying_time.csv, our own transcription.
    #[test]
    fn a_misted_leaf_dries_in_an_hour_in_dry_air_and_not_by_morning_in_damp_air() {
        for (rh, speed, hours) in [
            (50.0, 0.2, 0.82),
            (60.0, 0.2, 1.03),
            (90.0, 0.2, 4.11),
            (95.0, 0.2, 8.22),
            (98.0, 0.2, 20.56),
            (60.0, 0.05, 2.04),
            (95.0, 0.05, 16.34),
        ] {
            near(drying_hours(MISTED_FILM, Celsius(22.0), RelativeHumidity(rh), speed).unwrap(), hours, 0.0065);
        }
        assert_eq!(drying_hours(MISTED_FILM, Celsius(22.0), RelativeHumidity(100.0), 0.2), None);
    }

    #[test]
    fn a_tray_without_leaves_gives_off_nothing() {
        let bare = Canopy { leaf_area_index: 0.0, ..STAND };
        assert_eq!(bare.tray_grams_per_hour(Celsius(22.0), RelativeHumidity(60.0)), 0.0);
    }

    proptest! {
        #[test]
        fn no_finite_stand_gives_nonsense(
            leaf_area_index in proptest::num::f64::NORMAL, light in proptest::num::f64::NORMAL,
            air_speed in proptest::num::f64::NORMAL, canopy_resistance in proptest::num::f64::NORMAL,
            t in proptest::num::f64::NORMAL, rh in proptest::num::f64::NORMAL
        ) {
            let canopy = Canopy { leaf_area_index, light, air_speed, canopy_resistance };
            let (air, damp) = (Celsius(t), RelativeHumidity(rh));
            prop_assert!(canopy.transpiration(air, damp).is_finite() && humidity_within(&canopy, air, damp).0.is_finite());
            prop_assert!(film_loss(air, damp, air_speed).is_finite());
            prop_assert!(drying_hours(light, air, damp, air_speed).is_none_or(f64::is_finite));
        }
    }
}
