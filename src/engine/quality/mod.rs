//! From heard to believed. `judge` decides, channel by channel; `judgement` is what it says;
//! the others know one test each: the codes of broken probes, a hygrometer at the top of its
//! scale, a sensor that stands still or leaps, what a calibration takes out. `window` makes minute
//! means of what is believed.

pub mod judgement;
pub(crate) mod fault_codes;
pub mod qartod;
pub mod saturation;
pub mod stillness;
pub mod calibration;
pub mod judge;
mod leaps;
pub mod window;
