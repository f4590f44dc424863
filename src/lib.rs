//! traywarden: the overnight watch over microgreens in trays on racks.
//!
//! Data walks one way: readings come in (`intake`), are judged and understood
//! (`engine`), stored (`store`), turned into alarms and words (`notify`). The
//! modules stand below in reading order.

pub mod units;
pub mod reading;
pub mod journal;
pub mod config;
pub mod intake;
pub mod engine;
pub mod store;
pub mod notify;
pub mod chart;
pub mod report;
pub mod clock;
pub mod rebuild;
pub mod rehearse;
pub mod daemon;
pub mod demo;
