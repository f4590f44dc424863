//! The room as it stands, for the verbs that only look: the engine rebuilt from the store
//! and brought to the present.

use super::Failure;
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::event::{Event, What};
use crate::rebuild::rebuild;
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::sync::Arc;

/// The daemon wakes every minute; without a written event for this long it does not run,
/// or hears nothing at all.
const QUIET: TimeDelta = TimeDelta::minutes(30);

/// The engine at the present moment, and the store it came from.
pub struct Room {
    /// The engine.
    pub engine: Engine,
    /// The store.
    pub reader: Reader,
    /// The present.
    pub now: Timestamp,
    /// Nothing was written for so long.
    pub quiet_for: Option<TimeDelta>,
}

/// Opens the store and rebuilds the engine. A store whose newest event lies ahead of the
/// wall clock (the demo's) is looked at as of that event.
pub fn open(config: &Config) -> Result<Room, Failure> {
    let reader = Reader::open(&config.store.path, &config.rules)?;
    let now = Clock::system().now();
    let mut engine = rebuild(&Arc::new(config.rules.clone()), &reader, now)?.engine;
    let newest = engine.now();
    let quiet_for = Some(now - newest).filter(|quiet| *quiet > QUIET);
    // What a daemon that does not run would have said of the silence is not what was said.
    let now = if quiet_for.is_some() { newest } else { now.max(newest) };
    engine.handle(Event { at: now, what: What::Tick });
    Ok(Room { engine, reader, now, quiet_for })
}

/// A warning for standard error when the store has gone quiet.
pub fn warn_if_quiet(room: &Room) {
    if let Some(quiet) = room.quiet_for {
        let hours = quiet.num_minutes() as f64 / 60.0;
        eprintln!(
            "note: nothing has been written for {hours:.1} hours; is the daemon running? What follows is how it stood then."
        );
    }
}
