//! Laws of the engine over random nights. Each says what always holds, whatever the
//! sensors, the broker, the post, the clock and the people do. A failure prints its
//! `SEED=..`; with that in the environment the same night runs again.

mod alarms;
mod belief;
mod kept;
mod night;
mod time;
