//! An invented room on a fast clock. Its air, water and trays are simulated
//! from one seed, and nothing here knows how the engine judges: the same nights
//! serve the `demo` verb (through a real broker), tests and `rehearse`.
//!
//! The physics and the people are made up for the site "Saltmarsh Lane"; the
//! figures are chosen to be believable, not measured anywhere.

pub mod broker;
pub mod people;
pub mod nights;
pub mod plan;
pub mod publisher;
pub mod room;
pub mod sensors;
pub mod story;
