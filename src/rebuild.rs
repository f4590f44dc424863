//! The engine as it is now, rebuilt from what is written down, by the same function
//! that runs live. The daemon starts so, and every verb that only reads looks at the
//! room so, whether the daemon runs or not. Where what it remembered was kept and is beyond
//! doubt, only what happened since is lived through.

use crate::engine::Engine;
use crate::engine::alarm::account::KEPT;
use crate::engine::event::{Effect, Event, LetterFacts};
use crate::engine::rules::Rules;
use crate::store::{Reader, StoreError, TakenIn};
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
    /// What it remembered was kept: this is how far it had come.
    pub resumed: Option<TakenIn>,
}

/// An engine, and where in the record it goes on.
struct Begun {
    engine: Engine,
    goes_on: GoesOn,
}

enum GoesOn {
    /// With what follows this event in the store.
    After(TakenIn),
    /// With the first event of this time or later.
    From(Timestamp),
}

/// Rebuilds the engine from the store, or from what was kept of it beside the store. `now`
/// is only the beginning of an engine without a past; the engine stands at its last stored
/// event, or at the last minute it had seen. What was kept may be as young as `present`.
///
/// # Errors
/// When the store cannot be read.
pub fn rebuild(rules: &Arc<Rules>, reader: &Reader, now: Timestamp, present: Timestamp) -> Result<Rebuilt, StoreError> {
    let begun = match reader.kept_engine(rules, present)? {
        Some((engine, taken_in)) => Begun { engine, goes_on: GoesOn::After(taken_in) },
        None => from_the_past(rules, reader, now)?,
    };
    live_through(begun, reader, now)
}

/// The same from the store alone.
///
/// # Errors
/// When the store cannot be read.
pub fn rebuild_without_state(rules: &Arc<Rules>, reader: &Reader, now: Timestamp) -> Result<Rebuilt, StoreError> {
    live_through(from_the_past(rules, reader, now)?, reader, now)
}

fn from_the_past(rules: &Arc<Rules>, reader: &Reader, now: Timestamp) -> Result<Begun, StoreError> {
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
    Ok(Begun { engine, goes_on: GoesOn::From(since) })
}

fn live_through(Begun { engine, goes_on }: Begun, reader: &Reader, now: Timestamp) -> Result<Rebuilt, StoreError> {
    let mut rebuilt = Rebuilt { engine, letters: Vec::new(), events: 0, resumed: None };
    let until = now + TimeDelta::days(366);
    let take_in = |event: Event| {
        rebuilt.events += 1;
        let recent = now - event.at < TimeDelta::hours(12);
        for effect in rebuilt.engine.handle(event) {
            if let (Effect::Letter(facts), true) = (effect, recent) {
                rebuilt.letters.push(facts);
            }
        }
    };
    match goes_on {
        GoesOn::After(taken_in) => {
            reader.events_after(taken_in, until, take_in)?;
            rebuilt.resumed = Some(taken_in);
        }
        GoesOn::From(since) => {
            reader.events(since, until, take_in)?;
        }
    }
    Ok(rebuilt)
}
