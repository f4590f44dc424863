//! From "heard" to "to be written, to be told": pure. No clock, socket, file or
//! randomness; time comes in with each event, effects come out as values. Live
//! running, start-up, rehearsal and simulation are this one function over events.
//!
//! Once a minute of its own time the engine judges everything it watches; between
//! minutes it only takes readings in. A tick therefore makes nothing different, and
//! [`Engine::handle`] lets every deadline up to an event pass first, each at its own time.
//!
//! Rooms, in the order of the walk: the plain types everybody shares; `quality` turns heard
//! into believed; `physics` has the arithmetic of air, leaves, medium and tanks, without
//! state or time; `watch` holds what is known of each thing over minutes and finds
//! conditions; `alarm` makes alarms of conditions; `letters` decides what is written when;
//! `order` is the engine itself, the order in which a minute and an event go through all of it.

#![no_std]
#![warn(unreachable_pub)]

extern crate alloc;
#[cfg(test)]
#[macro_use]
extern crate std;

pub mod units;
#[macro_use]
pub mod reading;
pub mod journal;
pub mod crop;
pub mod rules;
pub mod event;
pub mod calendar;
mod float;
pub mod refusal;
pub mod quality;
pub mod physics;
pub mod watch;
pub mod alarm;
pub mod letters;
mod order;

pub use order::Engine;
