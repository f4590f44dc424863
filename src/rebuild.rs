//! The engine as it is now, rebuilt from what is written down, by the same function
//! that runs live. The daemon starts so, and every verb that only reads looks at the
//! room so, whether the daemon runs or not.

use crate::engine::Engine;
use crate::engine::alarm::account::KEPT;
use crate::engine::event::{Effect, LetterFacts};
use crate::engine::rules::Rules;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::sync::Arc;

/// Readings are lived through again over this span: the longest window of any watch is
/// two days, and what was learnt of a tank fades in less than this. Own default.
const LIVED_AGAIN: TimeDelta = TimeDelta::days(10);

/// An engine, and what it would have said on the way.
pub struct Rebuilt {
    /// The engine after the last stored event.
    pub engine: Engine,
    /// Alarm letters of the last half day: what was decided but perhaps never written.
    pub letters: Vec<LetterFacts>,
    /// Events lived through.
    pub events: u64,
}

/// Rebuilds the engine from the store. `now` is only the beginning of an engine without
/// a past; the engine stands at its last stored event.
///
/// # Errors
/// When the store cannot be read.
pub fn rebuild(rules: &Arc<Rules>, reader: &Reader, now: Timestamp) -> Result<Rebuilt, StoreError> {
    let since = now - LIVED_AGAIN;
    let first = reader.readings_span()?.map_or(now, |(first, _)| first.max(since));
    let journal = reader.journal(Timestamp::UNIX_EPOCH)?;
    let begin = journal.first().map_or(first, |line| line.at.max(since).min(first));
    let mut engine = Engine::new(Arc::clone(rules), begin);
    // Trays sown before the span are told first, each at the time it was really told.
    for line in journal.into_iter().filter(|line| line.at < since) {
        engine.remember(line.at, line.number, &line.entry);
    }
    for (kind, call) in reader.calls(now - KEPT, since)? {
        engine.remember_call(kind, call);
    }
    let mut rebuilt = Rebuilt { engine, letters: Vec::new(), events: 0 };
    reader.events(since, now + TimeDelta::days(366), |event| {
        rebuilt.events += 1;
        let recent = now - event.at < TimeDelta::hours(12);
        for effect in rebuilt.engine.handle(event) {
            if let (Effect::Letter(facts), true) = (effect, recent) {
                rebuilt.letters.push(facts);
            }
        }
    })?;
    Ok(rebuilt)
}
