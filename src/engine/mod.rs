//! From "heard" to "to be written, to be told": pure. No clock, socket, file or
//! randomness; time comes in with each event, effects come out as values.

pub mod alarm;
pub mod calibration;
pub mod climate;
pub mod crop;
pub mod digest;
pub mod event;
pub mod qartod;
pub mod risk;
pub mod rules;
pub mod slope;
pub mod tray;
