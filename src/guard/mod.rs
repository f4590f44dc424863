//! The guard: on another machine, perhaps in another house, it listens on the broker for the
//! watch's own signs of life, and writes when they stay away. It knows nothing of the room.
//!
//! `judge` decides, pure; this file is the shell around it.

pub mod judge;

use crate::clock::Clock;
use crate::config::Guard;
use crate::engine::event::LetterKind;
use crate::intake::mqtt::ConnectError;
use crate::intake::overhear::{Overheard, overhear};
use crate::marks::MarkKey;
use crate::notify::letter::{Letter, Mail};
use crate::notify::message::{self, Sender};
use crate::notify::outbox::Outbox;
use crate::notify::postman::Postman;
use crate::notify::wording::{self, GuardCall as Call};
use crate::units::Timestamp;
use chrono::{NaiveDate, TimeDelta};
use judge::{Judge, News};
use std::collections::HashMap;
use std::future::Future;

/// Where the watch says how it is, and which digest left last.
fn topics(site: &str) -> [String; 2] {
    [format!("traywarden/{site}/status"), format!("traywarden/{site}/digest")]
}

/// Guards until `stop` is done.
///
/// # Errors
/// When the broker's settings cannot be used. A broker that is away is no error.
pub async fn run(guard: Guard, clock: Clock, stop: impl Future<Output = ()>) -> Result<(), ConnectError> {
    tokio::pin!(stop);
    let [status, digest] = topics(&guard.site);
    let mut ear = overhear(&guard.broker, vec![status.clone(), digest.clone()])?;
    let mut judge = Judge::new(guard.rules.clone(), clock.now());
    let mut post = Post {
        guard: &guard,
        outbox: Outbox::default(),
        mails: HashMap::new(),
        last_gone: None,
        broken: String::new(),
    };
    loop {
        let now = clock.now();
        post.send_due(&clock).await;
        let due = judge.next(now).min(post.outbox.next_at().unwrap_or(now + TimeDelta::hours(1)));
        let heard = tokio::select! {
            () = &mut stop => return Ok(()),
            heard = ear.recv() => heard,
            () = tokio::time::sleep(clock.until(due)) => None,
        };
        let now = clock.now();
        let news = match heard {
            None => None,
            Some(Overheard::Up) => {
                tracing::info!("connected to the broker");
                Some(News::Connected)
            }
            Some(Overheard::Down { error }) => {
                tracing::warn!(error, "no connection to the broker");
                post.broken = error;
                Some(News::Lost)
            }
            Some(Overheard::Message { topic, payload }) if topic == status => Some(News::Online(payload == b"online")),
            Some(Overheard::Message { payload, .. }) => date_of(&payload).map(News::Digest),
        };
        let calls = match &news {
            Some(news) => judge.hear(now, news),
            None => judge.due(now),
        };
        for call in calls {
            post.write(&call, now);
        }
    }
}

fn date_of(payload: &[u8]) -> Option<NaiveDate> {
    let formatted: serde_json::Value = serde_json::from_slice(payload).ok()?;
    formatted["date"].as_str()?.parse().ok()
}

/// Letters on their way.
struct Post<'g> {
    guard: &'g Guard,
    outbox: Outbox,
    mails: HashMap<String, Mail>,
    /// The letter that "back" answers.
    last_gone: Option<String>,
    /// Why the broker was last lost.
    broken: String,
}

impl Post<'_> {
    fn write(&mut self, call: &Call, now: Timestamp) {
        let letter = wording::guard_letter(call, self.guard, &self.broken, self.last_gone.clone(), now);
        tracing::warn!(subject = letter.subject, "letter");
        if matches!(call, Call::Gone { .. } | Call::NoDigest { .. }) {
            self.last_gone = Some(letter.id.clone());
        }
        for mail in addressed(&letter, self.guard) {
            self.outbox.put(&mail.message_id, LetterKind::Alarm, now);
            self.mails.insert(mail.message_id.clone(), mail);
        }
    }

    /// Tries every letter that is due once. Nothing else of the guard is in a hurry.
    async fn send_due(&mut self, clock: &Clock) {
        while let Some(id) = self.outbox.take(clock.now()) {
            let Some(mail) = self.mails.get(&id) else { continue };
            let outcome = Postman::new(&self.guard.mail).try_once(mail).await;
            let result = outcome.as_ref().copied().map_err(|error| (error.kind, error.text.as_str()));
            self.outbox.settle(&id, clock.now(), result);
            match outcome {
                Ok(()) => {
                    self.mails.remove(&id);
                    self.outbox.forget(&id);
                }
                Err(error) => tracing::warn!(error = error.text, "the letter did not leave"),
            }
        }
    }
}

/// A letter's mails.
pub fn addressed(letter: &Letter, guard: &Guard) -> Vec<Mail> {
    let key = MarkKey::unanswerable();
    message::mails(letter, &guard.mail, Sender::of(&guard.mail, &guard.name, &key))
        .into_iter()
        .filter_map(|mail| mail.inspect_err(|error| tracing::error!(%error, "a mail could not be made")).ok())
        .collect()
}
