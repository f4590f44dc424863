//! traywarden: the overnight watch over microgreens in trays on racks.
//!
//! Data walks one way: readings come in (`intake`), are judged and understood
//! (`engine`), stored (`store`), turned into alarms and words (`notify`). The
//! modules stand below in reading order.

pub mod chart;
pub mod cli;
pub mod clock;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod engine;
pub mod intake;
pub mod journal;
pub mod notify;
pub mod page;
pub mod reading;
pub mod rebuild;
pub mod rehearse;
pub mod report;
pub mod store;
pub mod units;
