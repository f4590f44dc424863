//! traywarden: the overnight watch over microgreens in trays on racks.
//!
//! Data walks one way: readings come in (`intake`), are judged and understood
//! (`engine`), stored (`store`), turned into alarms and words (`notify`). The
//! modules stand below in reading order.

#![warn(unreachable_pub)]

pub mod analysis;
pub mod answers;
pub mod beat;
pub mod chart;
pub mod cli;
pub mod clock;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod guard;
pub mod intake;
pub mod marks;
pub mod notify;
pub mod page;
pub mod random;
pub mod rebuild;
pub mod rehearse;
pub mod report;
pub mod store;
pub mod trust;
pub mod typed;

/// The judgement, a crate of its own that knows no operating system.
pub use traywarden_engine as engine;
pub use traywarden_engine::{journal, reading, units};
