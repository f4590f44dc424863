//! Whether water can condense on a surface colder than the air: a wall, a
//! window, a chiller line. Says that it is possible, not that it happens.

use crate::physics::climate::{Accuracy, dew_point, surface_humidity};
use crate::units::{Celsius, RelativeHumidity};

/// How much colder than the air a cold spot is taken to be where no probe is
/// on it, kelvin (our default, for an outside wall, a window or a chiller line).
pub(crate) const COLD_SPOT_OFFSET: f64 = 3.0;

/// Surface humidity from which building materials may mold when it lasts
/// (ISO 13788, from memory: 80 % as the mean of a month).
pub(crate) const DAMP_SURFACE: f64 = 80.0;

/// A surface in this air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surface {
    /// Its temperature, measured or assumed.
    pub temperature: Celsius,
    /// Surface temperature minus dew point, kelvin; zero or less: water condenses.
    pub margin: f64,
    /// What the margin may be off by because of the air sensor, kelvin.
    pub margin_accuracy: f64,
    /// Humidity of the air on it, per cent; above 100 below the dew point.
    pub humidity: f64,
}

impl Surface {
    /// A surface with a probe on it. `None` for air without vapour.
    pub fn measured(surface: Celsius, air: Celsius, humidity: RelativeHumidity, accuracy: Accuracy) -> Option<Surface> {
        Some(Surface {
            temperature: surface,
            margin: surface.0 - dew_point(air, humidity)?.0,
            margin_accuracy: accuracy.of_dew_point(air, humidity)?,
            humidity: surface_humidity(air, humidity, surface),
        })
    }

    /// A cold spot without a probe, `offset` kelvin below the air.
    pub fn assumed(offset: f64, air: Celsius, humidity: RelativeHumidity, accuracy: Accuracy) -> Option<Surface> {
        let colder = Celsius(air.0 - offset.clamp(0.0, 50.0));
        // An error of the thermometer moves the spot with the air, so only the depression's error counts.
        let margin_accuracy = accuracy.of_depression(air, humidity)?;
        Some(Surface { margin_accuracy, ..Surface::measured(colder, air, humidity, accuracy)? })
    }

    /// At or below the dew point.
    pub fn condenses(&self) -> bool {
        self.margin <= 0.0
    }

    /// Above the dew point, but by no more than the sensor may be off.
    pub fn may_condense(&self) -> bool {
        !self.condenses() && self.margin <= self.margin_accuracy
    }

    /// Damp enough to matter when it lasts.
    pub fn is_damp(&self) -> bool {
        self.humidity >= DAMP_SURFACE
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// condensation.csv, dew points by PsychroLib 2.5.0.
    #[test]
    fn a_surface_below_the_dew_point_is_wet() {
        for (air, humidity, surface, margin, surface_humidity, wet, damp) in [
            (22.0, 60.0, 16.0, 2.1143, 87.264, false, true),
            (22.0, 60.0, 13.8, -0.0857, 100.559, true, true),
            (20.0, 85.0, 17.5, 0.0973, 99.387, false, true),
            (20.0, 85.0, 17.3, -0.1027, 100.651, true, true),
            (24.0, 70.0, 18.0, -0.1938, 101.225, true, true),
            (21.0, 50.0, 10.0, -0.1914, 101.290, true, true),
            (22.0, 60.0, 22.0, 8.1143, 60.0, false, false),
        ] {
            let found =
                Surface::measured(Celsius(surface), Celsius(air), RelativeHumidity(humidity), Accuracy::default())
                    .unwrap();
            assert!((found.margin - margin).abs() < 0.01, "{found:?}");
            assert!((found.humidity - surface_humidity).abs() < 0.05, "{found:?}");
            assert_eq!((found.condenses(), found.is_damp()), (wet, damp), "{found:?}");
        }
    }

    #[test]
    fn a_cold_spot_without_a_probe_is_three_kelvin_below_the_air() {
        let spot = |humidity| {
            Surface::assumed(COLD_SPOT_OFFSET, Celsius(22.0), RelativeHumidity(humidity), Accuracy::default()).unwrap()
        };
        assert!(!spot(60.0).condenses() && !spot(60.0).may_condense());
        assert!(spot(82.0).may_condense() && !spot(82.0).condenses());
        assert!(spot(90.0).condenses());
    }

    proptest! {
        #[test]
        fn no_finite_surface_gives_nonsense(s in proptest::num::f64::NORMAL, t in proptest::num::f64::NORMAL, rh in proptest::num::f64::NORMAL) {
            for found in [
                Surface::measured(Celsius(s), Celsius(t), RelativeHumidity(rh), Accuracy::default()),
                Surface::assumed(s, Celsius(t), RelativeHumidity(rh), Accuracy::default()),
            ].into_iter().flatten() {
                prop_assert!(!found.margin.is_nan() && found.margin_accuracy.is_finite() && found.humidity.is_finite());
            }
        }
    }
}
