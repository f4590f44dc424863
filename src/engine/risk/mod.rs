//! What the air, the water and the clock mean for trays.

pub mod draw;
pub mod reservoir;
