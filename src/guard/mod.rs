//! The guard: on another machine, perhaps in another house, it listens on the broker for the
//! watch's own signs of life, and writes when they stay away. It knows nothing of the room.
//!
//! `judge` decides, pure; this file is the shell around it.

pub mod judge;

use crate::clock::Clock;
use crate::config::GuardSettings;
use crate::intake::mqtt::ConnectError;
use crate::intake::overhear::{Overheard, overhear};
use crate::marks::MarkKey;
use crate::notify::post::{Post, Posted};
use crate::notify::postman::Postman;
use crate::notify::wording::{self, GuardCall as Call};
use crate::units::Timestamp;
use chrono::{NaiveDate, TimeDelta};
use judge::{AbsenceJudge, GuardNews};
use std::future::Future;
use std::sync::Arc;
use tokio::sync::mpsc;

/// Where the watch says how it is, and which digest left last.
fn topics(site: &str) -> [String; 2] {
    [format!("traywarden/{site}/status"), format!("traywarden/{site}/digest")]
}

/// Guards until `stop` is done.
///
/// # Errors
/// When the broker's settings cannot be used. A broker that is away is no error.
pub async fn run(guard: GuardSettings, clock: Clock, stop: impl Future<Output = ()>) -> Result<(), ConnectError> {
    tokio::pin!(stop);
    let [status, digest] = topics(&guard.site);
    let mut ear = overhear(&guard.broker, vec![status.clone(), digest.clone()])?;
    let mut judge = AbsenceJudge::new(guard.rules.clone(), clock.now());
    let (tried, mut from_post) = mpsc::unbounded_channel();
    let mut desk =
        GuardDesk { guard: &guard, post: Post::new(Arc::new(postman(&guard))), reported: None, broken: String::new() };
    loop {
        let now = clock.now();
        desk.post.begin(now, &tried);
        let due = judge.next(now).min(desk.post.next_at(now).unwrap_or(now + TimeDelta::hours(1)));
        let heard = tokio::select! {
            () = &mut stop => return Ok(()),
            heard = ear.recv() => heard,
            Some((key, outcome)) = from_post.recv() => {
                if let Err(error) = &outcome {
                    tracing::warn!(%error, "the letter did not leave");
                }
                desk.post.settle(&key, clock.now(), &outcome);
                None
            }
            () = tokio::time::sleep(clock.until(due)) => None,
        };
        let now = clock.now();
        let news = match heard {
            None => None,
            Some(Overheard::Up) => {
                tracing::info!("connected to the broker");
                Some(GuardNews::Connected)
            }
            Some(Overheard::Down { error }) => {
                tracing::warn!(error, "no connection to the broker");
                desk.broken = error;
                Some(GuardNews::Lost)
            }
            Some(Overheard::Message { topic, payload, .. }) if topic == status => {
                Some(GuardNews::Online(payload == b"online"))
            }
            Some(Overheard::Message { payload, .. }) => date_of(&payload).map(GuardNews::Digest),
        };
        let calls = match &news {
            Some(news) => judge.hear(now, news),
            None => judge.due(now),
        };
        for call in calls {
            desk.write(&call, now);
        }
    }
}

fn date_of(payload: &[u8]) -> Option<NaiveDate> {
    let digest: serde_json::Value = serde_json::from_slice(payload).ok()?;
    digest["date"].as_str()?.parse().ok()
}

/// What goes by mail.
pub fn postman(guard: &GuardSettings) -> Postman {
    Postman::new(&guard.mail, &guard.name, &MarkKey::unanswerable())
}

/// Where letters are written.
struct GuardDesk<'g> {
    guard: &'g GuardSettings,
    post: Post,
    /// The letter that "back" answers.
    reported: Option<String>,
    /// Why the broker was last lost.
    broken: String,
}

impl GuardDesk<'_> {
    fn write(&mut self, call: &Call, now: Timestamp) {
        let letter = wording::guard_letter(call, self.guard, &self.broken, self.reported.clone(), now);
        tracing::warn!(subject = letter.subject, "letter");
        if matches!(call, Call::Gone { .. } | Call::NoDigest { .. }) {
            self.reported = Some(letter.id.clone());
        }
        for parcel in self.post.letter(&letter) {
            self.post.put(Posted::of(&letter, parcel));
        }
    }
}
