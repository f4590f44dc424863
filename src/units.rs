//! Physical quantities as types, so that a litre cannot be handed to something
//! that wants degrees. Stored and computed values are SI (with Celsius, per cent
//! and litres); how a grower sees them is decided by [`UnitSystem`] in `notify`.

use std::fmt;

/// An instant in UTC. Events carry whole milliseconds, so that a value read
/// back from the store equals the one that went in.
pub type Timestamp = chrono::DateTime<chrono::Utc>;

/// Temperature in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Celsius(pub f64);

/// Relative humidity over liquid water, in per cent, 0 to 100.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct RelativeHumidity(pub f64);

/// Pressure in kilopascals.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Kilopascals(pub f64);

/// Volume in litres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Litres(pub f64);

/// Length in millimetres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Millimetres(pub f64);

/// How numbers are shown to the grower. Stored values never change with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum UnitSystem {
    /// Degrees Celsius, litres, millimetres, grams.
    #[default]
    Metric,
    /// Degrees Fahrenheit, US gallons, inches, ounces.
    Us,
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
