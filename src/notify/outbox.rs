//! Which parcel of a carrier is tried when: pure, time passed in. How long one waits is in
//! `waits`.
//!
//! While nobody is reached, one parcel knocks for all: the newest call, every two
//! minutes. Once it is taken, everything else that waits is due at once.
//! The store keeps the bytes; this keeps what is known of each try.

use super::letter::ParcelKey;
use super::waits::{CALL_WAITS_SECONDS, PUT_OFF_FOR_LONG, PUT_OFF_WAIT_SECONDS, Refusal, lives, wait};
use crate::engine::event::LetterKind;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Tries side by side. Own default: a server of a household allows few connections.
const PLACES: usize = 2;
/// A try that takes longer gives its place to the next, and goes on beside it.
const HOLDS_ITS_PLACE: TimeDelta = TimeDelta::seconds(60);
/// However many hang, there are never more at a time.
const MOST_AT_A_TIME: usize = 16;
/// What has waited so long is told in one letter with the others of its age. Own default.
const OLD: TimeDelta = TimeDelta::minutes(10);

/// Where a parcel stands.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// To be tried, not before this.
    Waiting {
        /// Not before.
        not_before: Timestamp,
    },
    /// Being tried.
    InFlight {
        /// When the try began.
        since: Timestamp,
    },
    /// The other side took it; it is never tried again.
    Sent,
    /// Given up; the reason is for people.
    Failed {
        /// What the other side said at the last try, or why we stopped.
        reason: String,
    },
}

/// What is known of one parcel.
#[derive(Clone, Debug, PartialEq)]
pub struct QueuedParcel {
    /// Its letter's kind: digests grow old sooner.
    pub kind: LetterKind,
    /// When its letter was decided.
    queued_at: Timestamp,
    /// Tries that failed.
    pub(crate) tries: u32,
    /// Where it stands.
    pub state: State,
    /// Why the last try failed.
    pub refused: Option<Refusal>,
    /// It tells of letters that waited, and is not put into another such letter.
    gathers: bool,
}

/// What became of a try.
#[derive(Clone, Debug, PartialEq)]
pub enum ParcelSettled {
    /// The other side took it.
    Sent,
    /// It will be tried again then.
    Again {
        /// The earliest moment of the next try.
        not_before: Timestamp,
    },
    /// Given up. Somebody must be told.
    Failed {
        /// What somebody is told of it, as a sentence.
        reason: String,
    },
    /// No such parcel was in flight: nothing changed.
    Unknown,
}

/// Nobody is reached: one parcel knocks for all.
#[derive(Clone, Debug, PartialEq)]
struct Outage {
    knocks: u32,
    next: Timestamp,
}

/// Every parcel of one carrier that is not yet forgotten.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outbox {
    entries: BTreeMap<ParcelKey, QueuedParcel>,
    outage: Option<Outage>,
}

impl Outbox {
    /// Puts a parcel in, to be tried at once. Putting it in again changes nothing.
    pub fn put(&mut self, key: &ParcelKey, kind: LetterKind, at: Timestamp) {
        self.restore(key, kind, at, 0, at);
    }

    /// Puts in a letter that tells of letters that waited.
    pub(super) fn put_gathering(&mut self, key: &ParcelKey, at: Timestamp) {
        self.put(key, LetterKind::Alarm, at);
        if let Some(entry) = self.entries.get_mut(key) {
            entry.gathers = true;
        }
    }

    /// Puts a parcel in as the store remembers it. One that was in flight when the
    /// machine stopped has an unknown outcome and is tried again: the same
    /// Message-ID lets the recipient's side recognise it.
    pub(crate) fn restore(
        &mut self,
        key: &ParcelKey,
        kind: LetterKind,
        queued_at: Timestamp,
        tries: u32,
        not_before: Timestamp,
    ) {
        self.entries.entry(key.clone()).or_insert(QueuedParcel {
            kind,
            queued_at,
            tries,
            state: State::Waiting { not_before },
            refused: None,
            gathers: false,
        });
    }

    /// Takes the parcel to be tried now and marks it as in flight: the newest call
    /// first, then what waits for a round, then digests, these the oldest first.
    pub fn take(&mut self, now: Timestamp) -> Option<ParcelKey> {
        if self.place_free_at(now)? > now {
            return None;
        }
        let knocks = self.knocks();
        let (key, kind) = self
            .waiting()
            .filter(|(key, entry)| self.due(entry, knocks == Some(*key)) <= now)
            .min_by_key(|(key, entry)| turn(key, entry))
            .map(|(key, entry)| (key.clone(), entry.kind))?;
        self.entries.get_mut(&key)?.state = State::InFlight { since: now };
        if let Some(outage) = &mut self.outage {
            // From the knock on, not from its end: one that hangs does not keep the next from knocking.
            outage.next = now + wait(&key, kind, outage.knocks + 1, Refusal::Unreachable);
        }
        Some(key)
    }

    /// When a parcel is to be tried next; `None` when none waits, or when so many hang
    /// that one has to end first.
    pub fn next_at(&self, now: Timestamp) -> Option<Timestamp> {
        let knocks = self.knocks();
        let due = self.waiting().map(|(key, entry)| self.due(entry, knocks == Some(key))).min()?;
        Some(due.max(self.place_free_at(now)?))
    }

    /// Says how a try went. `text` is the other side's words, or ours.
    pub fn settle(&mut self, key: &ParcelKey, now: Timestamp, outcome: Result<(), (Refusal, &str)>) -> ParcelSettled {
        let Some(entry) = self.entries.get_mut(key).filter(|entry| matches!(entry.state, State::InFlight { .. }))
        else {
            return ParcelSettled::Unknown;
        };
        let (refusal, text) = match outcome {
            Ok(()) => {
                entry.state = State::Sent;
                entry.refused = None;
                self.reached(now);
                return ParcelSettled::Sent;
            }
            Err(refused) => refused,
        };
        entry.tries = entry.tries.saturating_add(1);
        entry.refused = Some(refusal);
        let (kind, tries, queued_at) = (entry.kind, entry.tries, entry.queued_at);
        let reason = if refusal == Refusal::Permanent {
            Some(format!("it will not be taken: {text}"))
        } else if now - queued_at >= lives(kind) {
            Some(format!(
                "given up after {} days and {tries} tries; the last answer was: {text}",
                lives(kind).num_days()
            ))
        } else {
            None
        };
        if let Some(reason) = reason {
            entry.state = State::Failed { reason: reason.clone() };
            if !refusal.concerns_all() {
                self.reached(now);
            }
            return ParcelSettled::Failed { reason };
        }
        let waits = if refusal.concerns_all() {
            let outage = self.outage.get_or_insert(Outage { knocks: 0, next: now });
            outage.knocks = outage.knocks.saturating_add(1);
            let waits = wait(key, kind, outage.knocks, refusal);
            outage.next = now + waits;
            waits
        } else {
            let put_off = kind == LetterKind::Alarm && now - queued_at > PUT_OFF_FOR_LONG;
            let least = TimeDelta::seconds(if put_off { PUT_OFF_WAIT_SECONDS } else { 0 });
            self.reached(now);
            wait(key, kind, tries, refusal).max(least)
        };
        // It must still be tried once when its time is over: it is then that giving up
        // is seen and told.
        let last_chance = (queued_at + lives(kind)).max(now + TimeDelta::seconds(CALL_WAITS_SECONDS[0]));
        let not_before = (now + waits).min(last_chance);
        if let Some(entry) = self.entries.get_mut(key) {
            entry.state = State::Waiting { not_before };
        }
        ParcelSettled::Again { not_before }
    }

    /// The settings were changed, or the connection is back: everything that
    /// waits is tried at once. What is in flight stays there.
    pub(crate) fn try_all_now(&mut self, now: Timestamp) {
        self.outage = None;
        for entry in self.entries.values_mut() {
            if let State::Waiting { not_before } = &mut entry.state {
                *not_before = (*not_before).min(now);
            }
        }
    }

    /// Letters that were held up for so long that one letter may tell them all, newest
    /// first, by recipient; of each recipient there are at least two. A digest stays one.
    pub fn held_up(&self, now: Timestamp) -> BTreeMap<String, Vec<ParcelKey>> {
        let mut held: BTreeMap<String, Vec<(Timestamp, ParcelKey)>> = BTreeMap::new();
        for (key, entry) in self.waiting() {
            let put_off = entry.refused == Some(Refusal::Transient);
            if entry.kind != LetterKind::Digest && !entry.gathers && !put_off && now - entry.queued_at >= OLD {
                held.entry(key.recipient.clone()).or_default().push((entry.queued_at, key.clone()));
            }
        }
        held.retain(|_, letters| letters.len() > 1);
        let newest_first = |mut letters: Vec<(Timestamp, ParcelKey)>| {
            letters.sort_by_key(|(at, _)| Reverse(*at));
            letters.into_iter().map(|(_, key)| key).collect()
        };
        held.into_iter().map(|(recipient, letters)| (recipient, newest_first(letters))).collect()
    }

    /// Other parcels that still wait for this one's recipient.
    pub(super) fn older_to_same(&self, key: &ParcelKey) -> Vec<ParcelKey> {
        let same = |other: &&ParcelKey| other.recipient == key.recipient && *other != key;
        self.waiting().map(|(other, _)| other).filter(same).cloned().collect()
    }

    /// Forgets a parcel: another one tells what it had to tell, or it has ended. One that
    /// is being tried stays.
    pub fn forget(&mut self, key: &ParcelKey) -> bool {
        let may = self.entries.get(key).is_some_and(|entry| !matches!(entry.state, State::InFlight { .. }));
        if may {
            self.entries.remove(key);
        }
        may
    }

    /// What is known of a parcel.
    pub fn entry(&self, key: &ParcelKey) -> Option<&QueuedParcel> {
        self.entries.get(key)
    }

    /// Parcels that wait or are being tried.
    pub fn open(&self) -> usize {
        self.entries
            .values()
            .filter(|entry| matches!(entry.state, State::Waiting { .. } | State::InFlight { .. }))
            .count()
    }

    fn waiting(&self) -> impl Iterator<Item = (&ParcelKey, &QueuedParcel)> {
        self.entries.iter().filter(|(_, entry)| matches!(entry.state, State::Waiting { .. }))
    }

    /// Somebody answered: what was only held up by the outage is due at once.
    fn reached(&mut self, now: Timestamp) {
        self.outage = None;
        for entry in self.entries.values_mut() {
            let held = entry.refused.is_none_or(Refusal::concerns_all);
            if let State::Waiting { not_before } = &mut entry.state
                && held
            {
                *not_before = (*not_before).min(now);
            }
        }
    }

    /// Who knocks for all in an outage.
    fn knocks(&self) -> Option<&ParcelKey> {
        self.outage.as_ref()?;
        self.waiting().min_by_key(|(key, entry)| turn(key, entry)).map(|(key, _)| key)
    }

    /// When a waiting parcel may be tried. In an outage: the one that knocks, a call that
    /// is new, and what has to be given up if it fails now.
    fn due(&self, entry: &QueuedParcel, knocks: bool) -> Timestamp {
        let State::Waiting { not_before } = entry.state else { return Timestamp::MAX_UTC };
        let last_chance = entry.queued_at + lives(entry.kind);
        match &self.outage {
            None => not_before,
            Some(_) if entry.kind == LetterKind::Alarm && entry.tries == 0 => not_before,
            Some(outage) if knocks => outage.next.min(last_chance.max(not_before)),
            Some(_) => last_chance.max(not_before),
        }
    }

    /// From when on another try may begin; `None`: not before one of those that hang has ended.
    fn place_free_at(&self, now: Timestamp) -> Option<Timestamp> {
        let mut begun: Vec<Timestamp> = self
            .entries
            .values()
            .filter_map(|entry| match entry.state {
                State::InFlight { since } => Some(since),
                _ => None,
            })
            .collect();
        if begun.len() >= MOST_AT_A_TIME {
            return None;
        }
        begun.sort();
        match begun.len().checked_sub(PLACES) {
            None => Some(now),
            Some(holder) => Some((begun[holder] + HOLDS_ITS_PLACE).max(now)),
        }
    }
}

/// Whose turn comes first: the least.
fn turn<'a>(key: &'a ParcelKey, entry: &QueuedParcel) -> (LetterKind, Reverse<i64>, &'a ParcelKey) {
    let at = entry.queued_at.timestamp_millis();
    (entry.kind, Reverse(if entry.kind == LetterKind::Alarm { at } else { -at }), key)
}

#[cfg(test)]
mod tests;
