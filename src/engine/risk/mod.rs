//! What the air, the water and the clock mean for trays.

pub mod canopy;
pub mod condensation;
pub mod draw;
pub mod dryness;
pub mod infection;
pub mod mold;
pub mod mold_band;
pub mod reservoir;
