//! From a level to litres, from litres to a draw, from a draw to the hour the
//! pump draws air.

/// The form of a tank, from depth to volume. Millimetres inside.
#[derive(Clone, Debug, PartialEq)]
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
