//! One carrier with its queue: what waits on it, which try begins now, and what a try
//! that ended means. Each try runs in a task of its own and each carrier has its own
//! `Post`, so that neither a mail server that hangs nor one that is away keeps another
//! letter, or another carrier, waiting.

use super::carrier::{Carrier, Refused};
use super::letter::{CarrierName, Letter, Parcel, ParcelKey};
use super::outbox::{Outbox, ParcelSettled};
use crate::engine::alarm::AlarmChange;
use crate::engine::event::LetterKind;
use crate::units::Timestamp;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use tokio::sync::mpsc;

/// How a try went, as its task says it.
pub(crate) type Tried = (ParcelKey, Result<(), Refused>);

/// A parcel that waits, with what can be said of its letter without opening it.
#[derive(Clone, Debug, PartialEq)]
pub struct Posted {
    /// The parcel.
    pub parcel: Parcel,
    /// Its letter's kind.
    pub kind: LetterKind,
    /// When the letter was decided.
    pub at: Timestamp,
    /// The letter's subject.
    pub subject: String,
    /// The letter in plain text.
    pub text: String,
}

impl Posted {
    /// A letter's parcel.
    pub fn of(letter: &Letter, parcel: Parcel) -> Posted {
        let Letter { kind, at, subject, text, .. } = letter;
        Posted { parcel, kind: *kind, at: *at, subject: subject.clone(), text: text.clone() }
    }

    /// An alarm itself, for a lamp.
    pub fn alarm(change: &AlarmChange, parcel: Parcel) -> Posted {
        Posted { parcel, kind: LetterKind::Alarm, at: change.at, subject: String::new(), text: String::new() }
    }
}

/// What became of a parcel.
#[derive(Clone, Debug, PartialEq)]
pub struct ParcelOutcome {
    /// The parcel that was tried.
    pub key: ParcelKey,
    /// Whether it left, and if not, when it is tried again.
    pub fate: ParcelFate,
}

/// What can become of a parcel.
#[derive(Clone, Debug, PartialEq)]
pub enum ParcelFate {
    /// The other side took it: from now on it is theirs.
    Sent,
    /// The other side refused it, or could not be reached.
    Refused {
        /// The other side's words, or ours.
        error: String,
        /// When it is tried again; `None`: never.
        again: Option<Timestamp>,
    },
    /// This letter to the same recipient tells what it had to tell.
    ToldBy {
        /// The letter's id.
        letter: String,
    },
}

/// A carrier at work.
pub struct Post {
    carrier: Arc<dyn Carrier>,
    outbox: Outbox,
    parcels: BTreeMap<ParcelKey, Posted>,
    /// Letters that are told by a letter which waits itself.
    told_by: BTreeMap<ParcelKey, BTreeSet<String>>,
}

impl Post {
    /// A carrier where nothing waits.
    pub fn new(carrier: Arc<dyn Carrier>) -> Post {
        Post { carrier, outbox: Outbox::default(), parcels: BTreeMap::new(), told_by: BTreeMap::new() }
    }

    /// The carrier whose queue this is.
    pub fn carrier(&self) -> CarrierName {
        self.carrier.name()
    }

    /// A letter as this carrier's parcels.
    pub fn letter(&self, letter: &Letter) -> Vec<Parcel> {
        self.carrier.letter(letter)
    }

    /// A change of an alarm as this carrier's parcel.
    pub fn alarm(&self, change: &AlarmChange) -> Option<Parcel> {
        self.carrier.alarm(change)
    }

    /// Takes a parcel to be tried at once. Says which ones it makes needless.
    pub fn put(&mut self, posted: Posted) -> Vec<ParcelOutcome> {
        let key = posted.parcel.key.clone();
        if self.told_by.contains_key(&key) {
            self.outbox.put_gathering(&key, posted.at);
        } else {
            self.outbox.put(&key, posted.kind, posted.at);
        }
        self.parcels.insert(key.clone(), posted);
        if !self.carrier.newest_only() {
            return Vec::new();
        }
        let older = self.outbox.older_to_same(&key);
        older.into_iter().filter_map(|old| self.let_tell(&old, &key.letter)).collect()
    }

    /// Takes a parcel as the store remembers it; `tells` are the letters it tells besides its own.
    pub(crate) fn restore(&mut self, posted: Posted, tries: u32, tells: BTreeSet<String>, now: Timestamp) {
        let key = posted.parcel.key.clone();
        if tells.is_empty() {
            self.outbox.restore(&key, posted.kind, posted.at, tries, now);
        } else {
            self.outbox.put_gathering(&key, posted.at);
            self.told_by.insert(key.clone(), tells);
        }
        self.parcels.insert(key, posted);
    }

    /// When a try is to begin; `None`: nothing waits, or nothing can begin before a try ends.
    pub fn next_at(&self, now: Timestamp) -> Option<Timestamp> {
        self.outbox.next_at(now)
    }

    /// Begins every try that is due. How each went comes out of `tried`. Must be called
    /// inside a tokio runtime.
    pub fn begin(&mut self, now: Timestamp, tried: &mpsc::UnboundedSender<Tried>) {
        while let Some(key) = self.outbox.take(now) {
            let Some(posted) = self.parcels.get(&key) else { continue };
            let (carrier, parcel, tried) = (Arc::clone(&self.carrier), posted.parcel.clone(), tried.clone());
            tokio::spawn(async move {
                let outcome = carrier.try_once(&parcel).await;
                // Nobody listens any more only when the daemon ends.
                let _ = tried.send((parcel.key, outcome));
            });
        }
    }

    /// Takes note of how a try went; `None` when no such parcel was being tried. With
    /// the outcome come the ids of its letter and, at the end, of all that are told or fail with it.
    pub fn settle(
        &mut self,
        key: &ParcelKey,
        now: Timestamp,
        outcome: &Result<(), Refused>,
    ) -> Option<(ParcelOutcome, Vec<String>)> {
        let answer = outcome.as_ref().copied().map_err(|refused| (refused.kind, refused.text.as_str()));
        let error = outcome.as_ref().err().map(|refused| refused.text.clone()).unwrap_or_default();
        let (fate, over) = match self.outbox.settle(key, now, answer) {
            ParcelSettled::Sent => (ParcelFate::Sent, true),
            ParcelSettled::Again { not_before } => (ParcelFate::Refused { error, again: Some(not_before) }, false),
            ParcelSettled::Failed { .. } => (ParcelFate::Refused { error, again: None }, true),
            ParcelSettled::Unknown => return None,
        };
        let mut letters = vec![key.letter.clone()];
        if over {
            letters.extend(self.told_by.get(key).into_iter().flatten().cloned());
            self.parcels.remove(key);
            self.told_by.remove(key);
            self.outbox.forget(key);
        }
        Some((ParcelOutcome { key: key.clone(), fate }, letters))
    }

    /// Letters that were held up for so long that one letter may tell them all: for each
    /// recipient at least two, the newest first.
    pub fn held_up(&self, now: Timestamp) -> BTreeMap<String, Vec<Posted>> {
        let posted = |keys: Vec<ParcelKey>| keys.iter().filter_map(|key| self.parcels.get(key)).cloned().collect();
        self.outbox.held_up(now).into_iter().map(|(recipient, keys)| (recipient, posted(keys))).collect()
    }

    /// The parcel of this key, which comes with the next [`Post::put`], tells what these
    /// had to tell; they wait no more.
    pub fn gather(&mut self, key: ParcelKey, reported: &[Posted]) -> Vec<ParcelOutcome> {
        let outcomes: Vec<_> =
            reported.iter().filter_map(|posted| self.let_tell(&posted.parcel.key, &key.letter)).collect();
        self.told_by.insert(key, outcomes.iter().map(|outcome| outcome.key.letter.clone()).collect());
        outcomes
    }

    /// The settings were changed, or the other side is back: nothing waits any longer.
    pub(crate) fn try_all_now(&mut self, now: Timestamp) {
        self.outbox.try_all_now(now);
    }

    fn let_tell(&mut self, key: &ParcelKey, letter: &str) -> Option<ParcelOutcome> {
        if !self.outbox.forget(key) {
            return None;
        }
        self.parcels.remove(key);
        Some(ParcelOutcome { key: key.clone(), fate: ParcelFate::ToldBy { letter: letter.to_owned() } })
    }
}
