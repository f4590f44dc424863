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
pub(super) struct Present {
    /// The engine as it is now, rebuilt from the store.
    pub engine: Engine,
    /// The store it was rebuilt from, for what else is asked of it.
    pub reader: Reader,
    /// The moment it was rebuilt for.
    pub now: Timestamp,
    /// Nothing was written for so long.
    quiet_for: Option<TimeDelta>,
}

/// Opens the store and rebuilds the engine. Where nothing was written for a while, the
/// room is shown as it stood then: what a daemon that does not run would have said of the
/// silence is not what was said.
pub(super) fn open(config: &Config) -> Result<Present, Failure> {
    let path = &config.store.path;
    // On a card that became read-only the file can still be read.
    let reader = Reader::open(path, &config.rules)
        .or_else(|error| Reader::open_unwritable(path, &config.rules).map_err(|_| error))?;
    let present = Clock::system().now();
    let newest = reader.readings_span()?.map_or(present, |(_, last)| last);
    let quiet_for = Some(present - newest).filter(|quiet| *quiet > QUIET);
    let looked_at = if quiet_for.is_some() { newest } else { present };
    let mut engine = rebuild(&Arc::new(config.rules.clone()), &reader, looked_at, present)?.engine;
    let now = engine.now().max(looked_at);
    engine.handle(Event { at: now, what: What::Tick });
    Ok(Present { engine, reader, now, quiet_for })
}

/// A warning for standard error when the store has gone quiet.
pub(super) fn warn_if_quiet(present: &Present) {
    if let Some(quiet) = present.quiet_for {
        let hours = quiet.num_minutes() as f64 / 60.0;
        let quiet = if hours < 48.0 { format!("{hours:.1} hours") } else { format!("{:.0} days", hours / 24.0) };
        eprintln!("note: nothing has been written for {quiet}; is the daemon running? This is how it stood then.");
    }
}
