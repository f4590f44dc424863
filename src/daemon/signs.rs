//! Signs of life for whoever watches the watch: the beat to the internet, and on the
//! broker the stamp of the last digest that left. `guard` reads the latter.

use super::Daemon;
use crate::beat;
use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::store::MOVED;
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// A letter's id begins with its kind; a digest's then has its local date.
const DIGEST: &str = "digest-";

impl Daemon<'_> {
    /// Asks for the beat's address, in a task that nothing waits for. While letters do
    /// not leave there is no beat: a watch that cannot call is not well.
    pub(super) fn beat(&self) {
        let Some(beat) = self.config.beat.clone() else { return };
        let dumb = |kind, state| kind == AlarmKind::MailFailing && !matches!(state, AlarmState::Normal);
        if self.engine.snapshot().alarms.iter().any(|alarm| dumb(alarm.key.kind, alarm.state)) {
            tracing::warn!("letters do not leave, so there is no beat");
            return;
        }
        let missed = Arc::clone(&self.beat_missed);
        tokio::spawn(async move {
            let outcome = beat::once(&beat).await;
            let before = missed.swap(outcome.is_err(), Ordering::Relaxed);
            match outcome {
                Err(error) if !before => tracing::warn!(error, "the beat was not taken"),
                Ok(()) if before => tracing::info!("the beat is taken again"),
                _ => {}
            }
        });
    }

    /// Says on the broker, retained, that this digest has left.
    pub(super) fn stamp_digest(&self, letter: &str) {
        let Some(date) = letter.strip_prefix(DIGEST) else { return };
        let topic = format!("traywarden/{}/digest", self.config.broker.site_topic);
        self.link.publish_retained(topic, json!({ "date": date }).to_string());
    }

    /// Says it again at a start: the broker may have lost it.
    pub(super) fn stamp_last_digest(&self, letters: &[String]) {
        // One that came too early for a wrong clock is no sign of life of its day.
        let is_digest = |letter: &&String| letter.starts_with(DIGEST) && !letter.ends_with(MOVED);
        let mut digests: Vec<&String> = letters.iter().filter(is_digest).collect();
        digests.sort();
        let mut keeper = super::keeper::lock(&self.keeper);
        let Some(store) = keeper.store() else { return };
        let has_left = |letter: &&&String| store.letter_progress(letter).is_ok_and(|progress| progress.sent > 0);
        if let Some(letter) = digests.iter().rev().find(has_left) {
            self.stamp_digest(letter);
        }
    }
}
