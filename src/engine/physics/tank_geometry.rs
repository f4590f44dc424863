//! From what a gauge says to litres: tank shapes and the echo of an ultrasonic
//! gauge. How fast the litres go, and when the pump draws air, is in `draw`.

use crate::float;
use crate::physics::climate::ZERO_CELSIUS;
use crate::units::Celsius;
use alloc::vec::Vec;
use core::f64::consts::PI;

/// The form of a tank, from depth to volume. Millimetres inside.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Shape {
    /// Straight walls.
    Box {
        /// Inside length.
        length: f64,
        /// Inside width.
        width: f64,
        /// Inside height.
        height: f64,
    },
    /// A standing drum.
    UprightCylinder {
        /// Inside diameter.
        diameter: f64,
        /// Inside height.
        height: f64,
    },
    /// A drum on its side, flat ends.
    LyingCylinder {
        /// Inside diameter.
        diameter: f64,
        /// Inside length.
        length: f64,
    },
    /// A pail: a round frustum.
    Pail {
        /// Inside diameter at the floor.
        bottom_diameter: f64,
        /// Inside diameter at the rim.
        top_diameter: f64,
        /// Inside height.
        height: f64,
    },
    /// A tapered tote: a rectangular frustum.
    Tote {
        /// Inside length at the floor.
        bottom_length: f64,
        /// Inside width at the floor.
        bottom_width: f64,
        /// Inside length at the rim.
        top_length: f64,
        /// Inside width at the rim.
        top_width: f64,
        /// Inside height.
        height: f64,
    },
    /// Measured by pouring: depth in millimetres and litres, both strictly ascending.
    Strapping(Vec<(f64, f64)>),
}

impl Shape {
    /// Litres at a depth, with depth taken between the floor and the rim. Exact
    /// for the geometric shapes (prismatoid and circular-segment formulas);
    /// linear between the rows of a strapping table. Zero for a shape without size.
    pub fn litres(&self, depth_mm: f64) -> f64 {
        let rim = self.height_mm();
        if rim.is_nan() || rim <= 0.0 {
            return 0.0;
        }
        let depth = depth_mm.clamp(0.0, rim);
        let cubic_millimetres = match self {
            Shape::Box { length, width, .. } => length * width * depth,
            Shape::UprightCylinder { diameter, .. } => PI * diameter * diameter / 4.0 * depth,
            Shape::LyingCylinder { diameter, length } => {
                let radius = diameter / 2.0;
                let below = radius - depth;
                let half_chord = float::sqrt((2.0 * radius * depth - depth * depth).max(0.0));
                length * (radius * radius * float::acos((below / radius).clamp(-1.0, 1.0)) - below * half_chord)
            }
            Shape::Pail { bottom_diameter, top_diameter, .. } => {
                let surface = bottom_diameter + (top_diameter - bottom_diameter) * depth / rim;
                PI * depth / 12.0 * (bottom_diameter * bottom_diameter + bottom_diameter * surface + surface * surface)
            }
            Shape::Tote { bottom_length, bottom_width, top_length, top_width, .. } => {
                let length = bottom_length + (top_length - bottom_length) * depth / rim;
                let width = bottom_width + (top_width - bottom_width) * depth / rim;
                let middle_twice = (bottom_length + length) * (bottom_width + width);
                depth / 6.0 * (bottom_length * bottom_width + length * width + middle_twice)
            }
            Shape::Strapping(rows) => return strapped(rows, depth_mm),
        };
        cubic_millimetres / CUBIC_MILLIMETRES_PER_LITRE
    }

    /// From the floor to the rim, millimetres; for a strapping table its last row.
    pub fn height_mm(&self) -> f64 {
        match self {
            Shape::Box { height, .. }
            | Shape::UprightCylinder { height, .. }
            | Shape::Pail { height, .. }
            | Shape::Tote { height, .. } => *height,
            Shape::LyingCylinder { diameter, .. } => *diameter,
            Shape::Strapping(rows) => rows.last().map_or(0.0, |(depth, _)| *depth),
        }
    }

    /// Litres when full to the rim.
    pub fn capacity_litres(&self) -> f64 {
        self.litres(self.height_mm())
    }

    /// Depth in millimetres that holds this many litres, between floor and rim:
    /// the inverse of [`Shape::litres`], by bisection.
    pub(crate) fn depth_for(&self, litres: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.height_mm().max(0.0));
        for _ in 0..HALVINGS {
            let middle = low + (high - low) / 2.0;
            if self.litres(middle) < litres { low = middle } else { high = middle }
        }
        low + (high - low) / 2.0
    }
}

/// Speed of sound in dry air, metres a second: 331.3 sqrt(1 + t/273.15), within
/// 0.05 % of CoolProp from 5 to 35 °C. Damp air adds 0.2 to 0.4 %, which is
/// left out. Temperatures are taken between -40 and 100 °C.
pub fn speed_of_sound(temperature: Celsius) -> f64 {
    331.3 * float::sqrt(1.0 + temperature.0.clamp(-40.0, 100.0) / ZERO_CELSIUS)
}

/// What an ultrasonic gauge should have said that reckons with sound at `assumed`, usually
/// 20 °C. Only for gauges that do not correct for temperature themselves; uncorrected,
/// 5 K between day and night fake 3.4 mm over a gap of 40 cm.
pub fn distance_corrected_for_air(distance_mm: f64, assumed: Celsius, air: Celsius) -> f64 {
    distance_mm * speed_of_sound(air) / speed_of_sound(assumed)
}

fn strapped(rows: &[(f64, f64)], depth_mm: f64) -> f64 {
    let above = rows.partition_point(|(depth, _)| *depth <= depth_mm);
    match (above.checked_sub(1).and_then(|below| rows.get(below)), rows.get(above)) {
        (Some((low, low_litres)), Some((high, high_litres))) => {
            low_litres + (high_litres - low_litres) * (depth_mm - low) / (high - low)
        }
        (Some((_, litres)), None) | (None, Some((_, litres))) => *litres,
        (None, None) => 0.0,
    }
}

const CUBIC_MILLIMETRES_PER_LITRE: f64 = 1e6;
/// Enough to bring any tank's height below a thousand-millionth of itself.
const HALVINGS: u32 = 40;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: f64, wanted: f64, tolerance: f64) {
        assert!((found - wanted).abs() <= tolerance, "found {found}, wanted {wanted}");
    }

    fn shapes() -> [Shape; 6] {
        [
            Shape::Box { length: 600.0, width: 400.0, height: 300.0 },
            Shape::UprightCylinder { diameter: 400.0, height: 500.0 },
            Shape::LyingCylinder { diameter: 400.0, length: 800.0 },
            Shape::Pail { bottom_diameter: 260.0, top_diameter: 300.0, height: 350.0 },
            Shape::Tote {
                bottom_length: 500.0,
                bottom_width: 300.0,
                top_length: 600.0,
                top_width: 400.0,
                height: 300.0,
            },
            Shape::Strapping(vec![(0.0, 0.0), (30.0, 4.1), (80.0, 11.6), (150.0, 23.0), (220.0, 35.5), (280.0, 47.0)]),
        ]
    }

    /// Closed forms, checked by numerical integration with scipy.
    #[test]
    fn each_tank_holds_what_the_geometry_says() {
        let tanks = shapes();
        for (tank, depth, litres) in [
            (0, 150.0, 36.0),
            (1, 200.0, 25.132741),
            (2, 50.0, 7.252988),
            (2, 100.0, 19.653915),
            (2, 300.0, 80.877050),
            (2, 400.0, 100.530965),
            (3, 100.0, 5.546086),
            (3, 350.0, 21.587978),
            (4, 100.0, 16.370370),
            (4, 300.0, 58.0),
            (5, 15.0, 2.05),
            (5, 100.0, 14.857143),
            (5, 185.0, 29.25),
        ] {
            near(tanks[tank].litres(depth), litres, 1e-6);
        }
    }

    #[test]
    fn below_the_floor_is_empty_and_above_the_rim_is_full() {
        for tank in shapes() {
            assert_eq!(tank.litres(-10.0), 0.0);
            assert_eq!(tank.litres(10_000.0), tank.capacity_litres());
        }
        assert_eq!(Shape::Strapping(Vec::new()).litres(5.0), 0.0);
    }

    /// CoolProp 8.0.0, dry air, 101325 Pa (speed_of_sound.csv).
    #[test]
    fn sound_is_as_fast_as_coolprop_says() {
        for (celsius, metres_a_second) in [(10.0, 337.310), (20.0, 343.215), (25.0, 346.129), (30.0, 349.019)] {
            near(speed_of_sound(Celsius(celsius)), metres_a_second, 0.0005 * metres_a_second);
        }
        near(distance_corrected_for_air(400.0, Celsius(20.0), Celsius(30.0)) / 400.0, 1.0 / (1.0 - 0.0166), 1e-4);
    }

    proptest! {
        #[test]
        fn more_depth_is_never_less_water(kind in 0_usize..6, depth in -50.0..600.0, more in 0.0..600.0) {
            let tank = &shapes()[kind];
            prop_assert!(tank.litres(depth + more) >= tank.litres(depth));
        }

        #[test]
        fn the_depth_for_a_volume_holds_that_volume(kind in 0_usize..6, share in 0.0..1.0) {
            let tank = &shapes()[kind];
            let litres = tank.capacity_litres() * share;
            prop_assert!((tank.litres(tank.depth_for(litres)) - litres).abs() < 1e-6);
        }

        #[test]
        fn no_finite_tank_holds_nonsense(a in -1e6..1e6, b in -1e6..1e6, c in -1e6..1e6, depth in proptest::num::f64::NORMAL) {
            for tank in [
                Shape::Box { length: a, width: b, height: c },
                Shape::UprightCylinder { diameter: a, height: c },
                Shape::LyingCylinder { diameter: a, length: c },
                Shape::Pail { bottom_diameter: a, top_diameter: b, height: c },
                Shape::Tote { bottom_length: a, bottom_width: b, top_length: b, top_width: a, height: c },
                Shape::Strapping(vec![(a, b)]),
            ] {
                prop_assert!(!tank.litres(depth).is_nan() && !tank.depth_for(depth).is_nan());
            }
        }
    }
}
