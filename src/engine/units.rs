//! Physical quantities as types, so that a litre cannot be handed to something
//! that wants degrees. Stored and computed values are SI (with Celsius, per cent
//! and litres); how a grower sees them is for [`UnitSystem`] to say.

use crate::float;
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use core::fmt;

/// An instant in UTC. Events carry whole milliseconds, so that a value read
/// back from the store equals the one that went in.
pub type Timestamp = chrono::DateTime<chrono::Utc>;

/// Temperature in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
pub struct Celsius(pub f64);

/// Relative humidity over liquid water, in per cent, 0 to 100.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
pub struct RelativeHumidity(pub f64);

/// Pressure in kilopascals.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Kilopascals(pub f64);

/// Volume in litres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Litres(pub f64);

/// How numbers are shown to the grower. Stored values never change with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub enum UnitSystem {
    /// Degrees Celsius, litres, millimetres, grams.
    #[default]
    Metric,
    /// Degrees Fahrenheit, US gallons, inches, ounces.
    Us,
}

/// Grams an avoirdupois ounce, exactly (NIST SP 811); 16 are a pound.
pub const GRAMS_AN_OUNCE: f64 = 28.349_523_125;
const POUND_GRAMS: f64 = 16.0 * GRAMS_AN_OUNCE;
/// Fluid ounces in a US gallon (NIST SP 811).
const FLUID_OUNCES: f64 = 128.0;

impl UnitSystem {
    /// Degrees on the grower's scale.
    pub fn degrees(self, celsius: f64) -> f64 {
        match self {
            UnitSystem::Metric => celsius,
            UnitSystem::Us => Celsius(celsius).to_fahrenheit(),
        }
    }

    /// The sign of that scale.
    pub fn degree_sign(self) -> &'static str {
        match self {
            UnitSystem::Metric => "°C",
            UnitSystem::Us => "°F",
        }
    }

    /// "22.5 °C", always with its decimal, for figures that stand beside each other.
    pub fn temperature(self, celsius: f64) -> String {
        format!("{:.1} {}", self.degrees(celsius) + 0.0, self.degree_sign())
    }

    /// Litres, or US gallons, with the unit's sign.
    pub fn volume(self, litres: f64) -> (f64, &'static str) {
        match self {
            UnitSystem::Metric => (litres, "L"),
            UnitSystem::Us => (Litres(litres).to_us_gallons(), "gal"),
        }
    }

    /// What a tray gets at a time: millilitres, or fluid ounces.
    pub fn pour(self, ml: f64) -> String {
        match self {
            UnitSystem::Metric => format!("{ml:.0} mL"),
            UnitSystem::Us => format!("{} fl oz", tenths(Litres(ml / 1000.0).to_us_gallons() * FLUID_OUNCES)),
        }
    }

    /// A weight: grams or kilograms, ounces or pounds.
    pub fn weight(self, grams: f64) -> String {
        let (divisor, unit) = self.weight_unit(grams);
        format!("{} {unit}", weight_number(grams / divisor, unit))
    }

    /// "350 to 550 g", the unit once.
    pub fn weight_range(self, from: f64, to: f64) -> String {
        let (divisor, unit) = self.weight_unit(to);
        let (low, high) = (weight_number(from / divisor, unit), weight_number(to / divisor, unit));
        if low == high { format!("{high} {unit}") } else { format!("{low} to {high} {unit}") }
    }

    fn weight_unit(self, grams: f64) -> (f64, &'static str) {
        match self {
            UnitSystem::Metric if grams < 1000.0 => (1.0, "g"),
            UnitSystem::Metric => (1000.0, "kg"),
            UnitSystem::Us if grams < 2.0 * POUND_GRAMS => (GRAMS_AN_OUNCE, "oz"),
            UnitSystem::Us => (POUND_GRAMS, "lb"),
        }
    }
}

/// Whole grams, and whole ounces from ten on; else tenths.
fn weight_number(value: f64, unit: &str) -> String {
    if unit == "g" || (unit == "oz" && value >= 9.95) { format!("{value:.0}") } else { tenths(value) }
}

/// One decimal, and none where it would be a zero.
pub fn tenths(value: f64) -> String {
    let shown = format!("{:.1}", float::round(value * 10.0) / 10.0 + 0.0);
    shown.strip_suffix(".0").map(str::to_owned).unwrap_or(shown)
}

impl Celsius {
    /// The same temperature in degrees Fahrenheit.
    pub fn to_fahrenheit(self) -> f64 {
        self.0 * 9.0 / 5.0 + 32.0
    }
}

impl Litres {
    /// The same volume in US liquid gallons (1 gal = 3.785411784 L exactly, NIST SP 811).
    pub fn to_us_gallons(self) -> f64 {
        self.0 / 3.785_411_784
    }
}

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} °C", self.0)
    }
}

impl fmt::Display for RelativeHumidity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.0} %", self.0)
    }
}

impl fmt::Display for Kilopascals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2} kPa", self.0)
    }
}

impl fmt::Display for Litres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} L", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_and_pours_are_said_in_the_units_of_the_house() {
        let (metric, us) = (UnitSystem::Metric, UnitSystem::Us);
        // Common practice, no source: 424 g are 15 oz; 118 mL are half a US cup, 4 fl oz.
        assert_eq!((metric.weight(424.0), us.weight(424.0)), ("424 g".to_owned(), "15 oz".to_owned()));
        assert_eq!((metric.pour(118.0), us.pour(118.294)), ("118 mL".to_owned(), "4 fl oz".to_owned()));
        assert_eq!((metric.weight(1696.0), us.weight(1696.0)), ("1.7 kg".to_owned(), "3.7 lb".to_owned()));
        assert_eq!(metric.weight_range(1520.0, 1800.0), "1.5 to 1.8 kg");
        assert_eq!(us.weight_range(380.0, 450.0), "13 to 16 oz");
        // The seed of a tray.
        assert_eq!(us.weight(24.0), "0.8 oz");
        assert_eq!(metric.weight_range(400.0, 400.0), "400 g");
    }

    #[test]
    fn figures_in_columns_keep_their_decimal() {
        assert_eq!(
            (UnitSystem::Metric.temperature(21.0), UnitSystem::Us.temperature(21.0)),
            ("21.0 °C".to_owned(), "69.8 °F".to_owned())
        );
        // Never "-0.0".
        assert_eq!(UnitSystem::Metric.temperature(-0.0), "0.0 °C");
    }
}
