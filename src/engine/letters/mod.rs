//! What is written, and when. `facts` is one letter as a value, `digest` the day in numbers,
//! `snapshot` the room now, `situation` what belongs together, `conversation` when letters about
//! alarms go out.

pub mod digest;
pub mod facts;
pub mod situation;
pub(crate) mod conversation;
pub mod snapshot;
#[cfg(test)]
mod sample_rules;
