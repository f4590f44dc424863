//! What is written, and when. `facts` is one letter as a value, `digest` the day in numbers,
//! `snapshot` the room now, `schedule` when letters about alarms go out.

pub mod digest;
pub mod facts;
pub mod schedule;
pub mod snapshot;
