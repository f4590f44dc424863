//! From "heard" to "to be written, to be told": pure. No clock, socket, file or
//! randomness; time comes in with each event, effects come out as values.

pub mod event;
pub mod rules;
pub mod crop;
pub mod quality;
pub mod slope;
pub mod qartod;
pub mod climate;
pub mod window;
pub mod tray;
pub mod band;
pub mod air;
pub mod risk;
pub mod alarm;
pub mod waking;
pub mod digest;
