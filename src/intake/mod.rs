//! From the wire to "heard": the connection to the broker, and the pure step
//! from the bytes of a message to raw readings. What a value is worth is
//! judged by `engine::quality`; what is written when, by the daemon.

//MQ pub mod capture;
mod json;
//MQ pub mod mqtt;
#[cfg(test)]
mod catalogue;
pub mod payload;
pub mod senml;
mod stated_time;
//MQ mod tls;
mod unit;

//MQ pub use tls::TlsError;
