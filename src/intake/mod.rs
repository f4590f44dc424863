//! From the wire to "heard": the connection to the broker, and the pure step
//! from the bytes of a message to raw readings. What a value is worth is
//! judged by `engine::quality`; what is written when, by the daemon.

pub mod capture;
#[cfg(test)]
mod catalogue;
mod contest;
mod exchanged;
mod json;
pub mod guess;
mod listen;
pub mod mqtt;
pub(crate) mod overhear;
pub(crate) mod survey;
pub mod payload;
mod placeholder;
pub mod senml;
mod stated_time;
mod tls;
mod unit;

pub use tls::TlsError;
