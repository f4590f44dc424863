//! What the air, the water and the clock mean for trays: arithmetic without state over
//! minutes and without time of day, each formula with its source.

pub mod slope;
pub mod climate;
pub mod course;
pub(crate) mod rhythm;
pub(crate) mod outlook;
pub mod surface;
pub mod canopy;
pub mod infection;
pub mod mold_pressure;
pub(crate) mod mold_band;
pub mod dryness;
pub mod draw;
pub mod tank_geometry;
