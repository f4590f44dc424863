//! What the next digest proposes after calls that people said were wrong. Looked for on a
//! thread of its own: a month is rehearsed several times.

use crate::config::Config;
use crate::engine::Engine;
use crate::engine::event::{Command, Grade, What};
use crate::notify::wording::Proposal;
use crate::rehearse::proposal::propose;
use std::sync::{Arc, Mutex, PoisonError};

/// What was found, for every kind that was looked at.
#[derive(Clone, Debug, Default)]
pub(super) struct Proposals(Arc<Mutex<Vec<Proposal>>>);

impl Proposals {
    /// What is known so far.
    pub(super) fn found(&self) -> Vec<Proposal> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn put(&self, found: Proposal) {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.retain(|proposal| proposal.kind != found.kind);
        known.push(found);
    }

    /// Somebody has said that a call was wrong: where it is the third of its kind, looks for what
    /// would have spared them.
    pub(super) fn look_for(&self, what: &What, engine: &Engine, config: &Config) {
        let What::Command(Command::Acknowledge { grade: Some(Grade::Wrong), .. }) = what else { return };
        for doubted in engine.doubted() {
            let calls = engine.calls_of(doubted.kind);
            let (config, until, proposals) = (config.clone(), engine.now(), self.clone());
            std::thread::spawn(move || match propose(&config, doubted.kind, &calls, until) {
                Ok(Some(found)) => proposals.put(found),
                Ok(None) => {}
                Err(error) => tracing::warn!(%error, "no change of the settings could be rehearsed"),
            });
        }
    }
}
