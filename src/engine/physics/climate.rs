//! What warm, damp air is: vapour pressure, dew point, deficit, wet bulb, and
//! how far a sensor's error carries into each. Arithmetic only; what it means
//! for a tray is said in `risk`.
//!
//! Everything is computed over liquid water, also below freezing, because that
//! is how humidity sensors are scaled. A growing room below 0 °C is out of
//! range anyway and the quality stage says so.

use crate::float;
use crate::units::{Celsius, Kilopascals, RelativeHumidity};

/// Standard atmosphere at sea level (ICAO), for rooms whose altitude is not known.
pub const SEA_LEVEL: Kilopascals = Kilopascals(101.325);

/// A tenth of the chance lies beyond this share of a sensor's limits on either side: its error
/// is spread evenly over them (JCGM 100:2008, 4.3.7, type B, rectangular).
pub(crate) const TENTH_OF_LIMITS: f64 = 0.8;
/// The accuracy assumed of an air thermometer whose config states none, in
/// kelvin (our default; low-cost probes are sold at 0.2 to 0.5 K).
pub(crate) const TEMPERATURE_ACCURACY: f64 = 0.3;

/// The accuracy assumed of a humidity sensor whose config states none, in per
/// cent relative humidity (our default; low-cost probes are sold at 2 to 5 %).
pub const HUMIDITY_ACCURACY: f64 = 3.0;

/// Saturation vapour pressure over water. Hyland and Wexler 1983 as printed in
/// ASHRAE Handbook Fundamentals 2017, chapter 1, equation 6. Stated for 0 to
/// 200 °C and within 0.023 % of IAPWS-95 from 1 to 50 °C; below 0 °C it is
/// carried on over supercooled water. Temperatures outside -40 to 100 °C are
/// taken as the nearer end, so that no finite input gives nonsense.
pub fn saturation_pressure(temperature: Celsius) -> Kilopascals {
    Kilopascals(saturation_pascals(in_range(temperature.0)) / 1000.0)
}

/// How fast the saturation vapour pressure grows with temperature, in
/// kilopascals a kelvin: the derivative of [`saturation_pressure`].
pub(crate) fn saturation_slope(temperature: Celsius) -> f64 {
    let celsius = in_range(temperature.0);
    saturation_pascals(celsius) * log_slope(celsius + ZERO_CELSIUS) / 1000.0
}

/// Pressure of the vapour in the air. Humidity is taken between 0 and 100 %.
pub(crate) fn vapour_pressure(temperature: Celsius, humidity: RelativeHumidity) -> Kilopascals {
    Kilopascals(saturation_pressure(temperature).0 * fraction(humidity))
}

/// Vapour pressure deficit of the air: how far it is from saturation, zero or more.
pub fn vapour_pressure_deficit(temperature: Celsius, humidity: RelativeHumidity) -> Kilopascals {
    Kilopascals(saturation_pressure(temperature).0 * (1.0 - fraction(humidity)))
}

/// Dew point over water, never above the air temperature. `None` for air that
/// holds no vapour (0 % or less), which has none; between 0 and 0.5 % it is
/// that of 0.5 %.
///
/// The closed form of Alduchov and Eskridge 1996 (AERK), then one Newton step
/// on Hyland and Wexler: from 0 to 50 °C and 5 to 100 % the step leaves less
/// than 0.00001 K, and it cannot run away.
pub fn dew_point(temperature: Celsius, humidity: RelativeHumidity) -> Option<Celsius> {
    if humidity.0.is_nan() || humidity.0 <= 0.0 {
        return None;
    }
    let celsius = in_range(temperature.0);
    let pressure_log = saturation_log(celsius + ZERO_CELSIUS) + float::ln(humidity.0.clamp(DRIEST, 100.0) / 100.0);
    let ratio_log = pressure_log - float::ln(AERK_SCALE);
    let first = AERK_SHIFT * ratio_log / (AERK_RATE - ratio_log);
    let kelvin = first + ZERO_CELSIUS;
    let refined = first - (saturation_log(kelvin) - pressure_log) / log_slope(kelvin);
    Some(Celsius(refined.min(temperature.0)))
}

/// Relative humidity of the room's air where it touches a surface, in per cent;
/// above 100 the surface is below the dew point.
pub(crate) fn surface_humidity(temperature: Celsius, humidity: RelativeHumidity, surface: Celsius) -> f64 {
    100.0 * vapour_pressure(temperature, humidity).0 / saturation_pressure(surface).0
}

/// What the sensor may be off by, with the same coverage as its maker states it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Accuracy {
    /// Plus or minus kelvin.
    pub temperature: f64,
    /// Plus or minus per cent relative humidity.
    pub humidity: f64,
}

impl Default for Accuracy {
    fn default() -> Self {
        Accuracy { temperature: TEMPERATURE_ACCURACY, humidity: HUMIDITY_ACCURACY }
    }
}

impl Accuracy {
    /// What the vapour pressure deficit may be off by (first order).
    pub fn of_deficit(self, temperature: Celsius, humidity: RelativeHumidity) -> Kilopascals {
        let by_humidity = saturation_pressure(temperature).0 * self.humidity / 100.0;
        let by_temperature = (1.0 - fraction(humidity)) * saturation_slope(temperature) * self.temperature;
        Kilopascals(float::hypot(by_humidity, by_temperature))
    }

    /// What the dew point may be off by, in kelvin (first order).
    pub fn of_dew_point(self, temperature: Celsius, humidity: RelativeHumidity) -> Option<f64> {
        self.carried_to_dew_point(temperature, humidity, 0.0)
    }

    /// What the dew-point depression may be off by, in kelvin (first order). Less
    /// than for the dew point: an error of the thermometer moves both the same way.
    pub fn of_depression(self, temperature: Celsius, humidity: RelativeHumidity) -> Option<f64> {
        self.carried_to_dew_point(temperature, humidity, 1.0)
    }

    fn carried_to_dew_point(self, temperature: Celsius, humidity: RelativeHumidity, shared: f64) -> Option<f64> {
        let dew_slope = saturation_slope(dew_point(temperature, humidity)?);
        let by_humidity = saturation_pressure(temperature).0 * self.humidity / 100.0 / dew_slope;
        let moved = fraction(humidity) * saturation_slope(temperature) / dew_slope - shared;
        Some(float::hypot(by_humidity, moved * self.temperature))
    }
}

fn in_range(celsius: f64) -> f64 {
    celsius.clamp(COLDEST, HOTTEST)
}

fn fraction(humidity: RelativeHumidity) -> f64 {
    humidity.0.clamp(0.0, 100.0) / 100.0
}

fn saturation_pascals(celsius: f64) -> f64 {
    float::exp(saturation_log(celsius + ZERO_CELSIUS))
}

/// Natural logarithm of the saturation pressure in pascals.
fn saturation_log(kelvin: f64) -> f64 {
    -5.800_220_6e3 / kelvin + 1.391_499_3 - 4.864_023_9e-2 * kelvin + 4.176_476_8e-5 * kelvin * kelvin
        - 1.445_209_3e-8 * kelvin * kelvin * kelvin
        + 6.545_967_3 * float::ln(kelvin)
}

/// Its derivative, per kelvin.
fn log_slope(kelvin: f64) -> f64 {
    5.800_220_6e3 / (kelvin * kelvin) - 4.864_023_9e-2 + 2.0 * 4.176_476_8e-5 * kelvin
        - 3.0 * 1.445_209_3e-8 * kelvin * kelvin
        + 6.545_967_3 / kelvin
}

/// 0 °C in kelvin, by definition.
pub(crate) const ZERO_CELSIUS: f64 = 273.15;
/// Gas constant of water vapour, J/(kg K) (CODATA gas constant over the molar mass of water).
pub(crate) const VAPOUR_GAS_CONSTANT: f64 = 461.523;
/// Ends of the range in which the saturation formula is used, Celsius. Far
/// beyond any room; they keep absurd input finite.
const COLDEST: f64 = -40.0;
const HOTTEST: f64 = 100.0;
/// Dew points of drier air than this, in per cent, mean nothing with real sensors.
const DRIEST: f64 = 0.5;
/// Alduchov and Eskridge 1996, J. Appl. Meteorol. 35: 610.94 Pa, 17.625, 243.04 °C.
const AERK_SCALE: f64 = 610.94;
const AERK_RATE: f64 = 17.625;
const AERK_SHIFT: f64 = 243.04;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: f64, wanted: f64, tolerance: f64) {
        assert!((found - wanted).abs() <= tolerance, "found {found}, wanted {wanted} within {tolerance}");
    }

    /// Figures of PsychroLib 2.5.0.
    #[test]
    fn saturation_pressure_agrees_with_psychrolib() {
        for (celsius, pascals) in [
            (1.0, 657.072),
            (5.0, 872.487),
            (10.0, 1227.995),
            (15.0, 1705.448),
            (20.0, 2338.804),
            (22.0, 2644.753),
            (24.0, 2985.127),
            (25.0, 3169.216),
            (30.0, 4246.030),
            (40.0, 7383.460),
            (50.0, 12349.856),
        ] {
            near(saturation_pressure(Celsius(celsius)).0 * 1000.0, pascals, 0.0005 * pascals);
        }
    }

    /// ASHRAE Fundamentals 2017, chapter 1, table 3, as quoted in PsychroLib's own tests.
    #[test]
    fn saturation_pressure_agrees_with_the_printed_ashrae_table() {
        for (celsius, pascals) in [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3), (100.0, 101418.0)] {
            near(saturation_pressure(Celsius(celsius)).0 * 1000.0, pascals, 3e-4 * pascals);
        }
    }

    #[test]
    fn a_night_on_the_rack_has_the_published_dew_point_and_deficit() {
        // T, RH, VPD Pa, Td: PsychroLib 2.5.0.
        for (t, rh, deficit, dew) in [
            (10.0, 80.0, 245.599, 6.7130),
            (18.0, 95.0, 103.215, 17.1873),
            (20.0, 50.0, 1169.402, 9.2724),
            (20.0, 100.0, 0.0, 20.0),
            (22.0, 92.0, 211.580, 20.6402),
            (24.0, 65.0, 1044.794, 17.0194),
            (28.0, 50.0, 1891.103, 16.6146),
            (30.0, 75.0, 1061.508, 25.0808),
        ] {
            let (air, damp) = (Celsius(t), RelativeHumidity(rh));
            near(vapour_pressure_deficit(air, damp).0 * 1000.0, deficit, f64::max(0.5, 0.0005 * deficit));
            near(dew_point(air, damp).unwrap().0, dew, 0.01);
        }
    }

    #[test]
    fn below_freezing_the_dew_point_stays_over_water() {
        // Over water -6.776, over ice -6.011 (PsychroLib 2.5.0 over ice; over water by the same equation).
        near(dew_point(Celsius(10.0), RelativeHumidity(30.0)).unwrap().0, -6.776, 0.001);
    }

    #[test]
    fn air_without_vapour_has_no_dew_point() {
        assert_eq!(dew_point(Celsius(20.0), RelativeHumidity(0.0)), None);
        assert!(dew_point(Celsius(20.0), RelativeHumidity(0.01)).unwrap().0.is_finite());
    }

    #[test]
    fn the_sensor_error_is_carried_into_deficit_and_dew_point() {
        // rh_error_propagation.csv at 22 °C; RH, then u_VPD in Pa and u_Td in K for 2, 3 and 5 %.
        for (rh, deficit, dew) in [
            (45.0, [59.22, 83.69, 134.89], [0.715, 1.028, 1.675]),
            (75.0, [54.26, 80.26, 132.79], [0.512, 0.696, 1.093]),
            (90.0, [53.12, 79.49, 132.33], [0.466, 0.615, 0.946]),
            (95.0, [52.95, 79.38, 132.26], [0.454, 0.595, 0.908]),
        ] {
            for (index, humidity) in [2.0, 3.0, 5.0].into_iter().enumerate() {
                let accuracy = Accuracy { temperature: 0.3, humidity };
                let (air, damp) = (Celsius(22.0), RelativeHumidity(rh));
                near(accuracy.of_deficit(air, damp).0 * 1000.0, deficit[index], 0.01);
                near(accuracy.of_dew_point(air, damp).unwrap(), dew[index], 0.001);
            }
        }
    }

    proptest! {
        #[test]
        fn the_dew_point_rises_with_humidity(t in 0.0..50.0, rh in 5.0..99.0, more in 0.01..1.0) {
            let (drier, damper) = (RelativeHumidity(rh), RelativeHumidity(rh + more));
            prop_assert!(dew_point(Celsius(t), damper).unwrap().0 > dew_point(Celsius(t), drier).unwrap().0);
        }

        #[test]
        fn saturated_air_is_at_its_dew_point(t in 0.0..50.0) {
            prop_assert!((dew_point(Celsius(t), RelativeHumidity(100.0)).unwrap().0 - t).abs() < 1e-5);
        }

        #[test]
        fn the_dew_point_gives_the_humidity_back(t in 0.0..50.0, rh in 5.0..100.0) {
            let dew = dew_point(Celsius(t), RelativeHumidity(rh)).unwrap();
            let humidity = 100.0 * saturation_pressure(dew).0 / saturation_pressure(Celsius(t)).0;
            prop_assert!((humidity - rh).abs() < 1e-6 * 100.0);
        }

        #[test]
        fn no_finite_air_gives_nonsense(t in proptest::num::f64::NORMAL, rh in proptest::num::f64::NORMAL, p in proptest::num::f64::NORMAL) {
            let (air, damp) = (Celsius(t), RelativeHumidity(rh));
            let accuracy = Accuracy::default();
            let dew = dew_point(air, damp).map_or(0.0, |found| found.0);
            for found in [
                dew,
                saturation_pressure(air).0, saturation_slope(air), vapour_pressure(air, damp).0,
                vapour_pressure_deficit(air, damp).0,
                surface_humidity(air, damp, Celsius(p)),

                accuracy.of_deficit(air, damp).0, accuracy.of_dew_point(air, damp).unwrap_or(0.0),
                accuracy.of_depression(air, damp).unwrap_or(0.0),
            ] {
                prop_assert!(found.is_finite(), "{t} °C, {rh} %, {p} kPa gave {found}");
            }
        }
    }
}
