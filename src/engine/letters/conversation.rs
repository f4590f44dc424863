//! One night, one conversation: what is open since the last round is told in one thread. Here it
//! takes in what happens to alarms, and decides who must be written to. `reported` is what was
//! told of each alarm, `allowance` how many letters a night has, `due` which letter is due.

mod allowance;
mod due;
mod reported;

use crate::alarm::AlarmKey;
use crate::letters::facts::LetterKind;
use crate::letters::situation::{Cause, Occasion};
use crate::units::Timestamp;
use alloc::string::String;
use alloc::vec::Vec;
use allowance::{Allowance, REMINDERS};
use chrono::TimeDelta;
pub(crate) use reported::Need;
use reported::{Reported, Reports};

/// Calls inside this span come as one letter.
const BUNDLE: TimeDelta = TimeDelta::minutes(1);
/// All of it must be over for so long before that is written. Own default.
const OVER_HOLDS: TimeDelta = TimeDelta::minutes(2);

/// The letters of alarms since the last round.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Conversation {
    /// The letter that opened it.
    root: Option<String>,
    reported: Reports,
    allowance: Allowance,
    /// Calls that wait to be written together.
    waiting: Vec<Wanted>,
    due_at: Option<Timestamp>,
    /// Calls that eased in the minute in which they were due: nobody was told, and whoever needs
    /// hands after all is called then.
    eased: Vec<Wanted>,
    /// People are in the room: what eased is looked at again after this.
    in_the_room_until: Option<Timestamp>,
    /// When the evening letter was written.
    evening_at: Option<Timestamp>,
    over_due: Option<Timestamp>,
    /// People were in the room; what still needs hands and nobody answered is called anew.
    call_again_at: Option<Timestamp>,
}

/// A call that is not written yet.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Wanted {
    /// When hands were asked for.
    at: Timestamp,
    occasion: Occasion,
    key: AlarmKey,
    cause: Cause,
    early: Option<Timestamp>,
}

impl Wanted {
    fn need(&self) -> Need<'_> {
        Need { key: &self.key, cause: self.cause.clone(), early: self.early }
    }

    fn named(&self) -> (Occasion, AlarmKey) {
        (self.occasion, self.key.clone())
    }
}

/// A letter that is due, before its facts are gathered.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Draft {
    /// The letter's id.
    pub(crate) id: String,
    /// A call, the letter of an evening or a round, the end of a conversation, or the digest.
    pub(crate) kind: LetterKind,
    /// The letter that opened the thread.
    pub(crate) answers: Option<String>,
    /// What it brings; whatever else is open is named beside it.
    pub(crate) about: Vec<(Occasion, AlarmKey)>,
    /// What it calls for, and since when hands were asked for.
    pub(crate) calls: Vec<(AlarmKey, Timestamp)>,
}

/// What becomes of an alarm that needs hands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Asking {
    /// A call is due.
    Call,
    /// The letter of the evening, just read, was the call.
    EveningWasIt,
    /// A letter that was written brings the same hands in time, or there may be no more of them;
    /// the next one names it.
    Covered,
}

impl Conversation {
    /// An alarm needs hands now.
    pub(crate) fn needs_hands(&mut self, at: Timestamp, need: Need<'_>) -> Asking {
        self.eased.retain(|eased| eased.key != *need.key);
        let before = self.reported.get(need.key);
        let covered = self.reported.cover(&need, self.allowance.is_reminding());
        if covered || !self.has_room_for(&need.cause) {
            let answered =
                before.is_some_and(|reported| reported.answered) || self.reported.have_answer_to(&need.cause);
            let called = covered || before.is_some_and(|reported| reported.called);
            self.reported.insert(need.key, Reported::of(&need, called, answered));
            return Asking::Covered;
        }
        let occasion = if before.is_some() { Occasion::Escalated } else { Occasion::Raised };
        if let Some(evening) = self.evening_at.filter(|evening| at - *evening < REMINDERS[0])
            && let Some(reported) = self.reported.get_mut(need.key)
            && !reported.called
            && !reported.answered
            && !reported.over
        {
            // They have just read of it: this is the call, and what follows are its reminders.
            reported.called = true;
            reported.early = need.early;
            self.allowance.counts_as_call(evening);
            return Asking::EveningWasIt;
        }
        self.over_due = None;
        self.waiting.retain(|waiting| waiting.key != *need.key);
        self.waiting.push(Wanted { at, occasion, key: need.key.clone(), cause: need.cause, early: need.early });
        // What is due now stays due now: alarms a minute apart must not put each other off.
        self.due_at.get_or_insert(at + BUNDLE);
        Asking::Call
    }

    /// It holds again after it was gone.
    pub(crate) fn came_back(&mut self, key: &AlarmKey) {
        if let Some(reported) = self.reported.get_mut(key) {
            reported.over = false;
            self.over_due = None;
        }
    }

    /// An alarm is over.
    pub(crate) fn returned(&mut self, at: Timestamp, key: &AlarmKey) {
        // Where nobody was told yet, nothing need be said at all.
        self.withdraw(key);
        let Some(reported) = self.reported.get_mut(key) else { return };
        reported.over = true;
        if self.root.is_some() && self.reported.are_all_over() {
            self.over_due = Some(at + OVER_HOLDS);
        }
    }

    /// A new episode begins: what was told of the old one is told.
    pub(crate) fn new_episode(&mut self, key: &AlarmKey) {
        self.reported.remove(key);
        self.eased.retain(|eased| eased.key != *key);
    }

    /// Somebody answered one: everything that was in the letters is answered. Which.
    pub(crate) fn answered(&mut self, key: &AlarmKey) -> Vec<AlarmKey> {
        if !self.names(key) {
            self.withdraw(key);
            return Vec::new();
        }
        self.allowance.answered();
        self.answer_unwritten(key);
        let unwritten: Vec<AlarmKey> = self.waiting.iter().map(|waiting| waiting.key.clone()).collect();
        let mut others = Vec::new();
        for (other, reported) in
            self.reported.iter_mut().filter(|(other, _)| *other == key || !unwritten.contains(other))
        {
            reported.answered = true;
            if other != key {
                others.push(other.clone());
            }
        }
        self.withdraw(key);
        others
    }

    /// Somebody silenced one.
    pub(crate) fn silenced(&mut self, key: &AlarmKey) {
        self.answer_unwritten(key);
        if let Some(reported) = self.reported.get_mut(key) {
            reported.answered = true;
            self.allowance.answered();
        }
        self.withdraw(key);
    }

    /// A round begins: people are in the room, and a new conversation with them. What is open
    /// and unanswered is taken along.
    pub(crate) fn round_begins(&mut self, at: Timestamp, lasts_until: Timestamp) {
        self.root = None;
        self.evening_at = None;
        self.over_due = None;
        let stands = self.reported.keep_open();
        self.allowance.round_begins(at);
        // Who let a call and all its reminders stand has been told often enough.
        self.call_again_at = (stands && self.allowance.has_room_to_repeat()).then_some(lasts_until);
        self.in_the_room_until = Some(lasts_until);
    }

    /// This alarm's present episode stands in a letter that was written or is about to be.
    pub(crate) fn names(&self, key: &AlarmKey) -> bool {
        self.reported.get(key).is_some() || self.waiting.iter().any(|waiting| waiting.key == *key)
    }

    /// One more call may be written; of a second, different harm even where there were many.
    fn has_room_for(&self, cause: &Cause) -> bool {
        let known = self.reported.have_called_for(cause) || self.waiting.iter().any(|waiting| waiting.cause == *cause);
        if known { self.allowance.has_room() } else { self.allowance.has_room_for_two() }
    }

    /// Whoever says "seen" before the letter is out has it in hand.
    fn answer_unwritten(&mut self, key: &AlarmKey) {
        if let Some(wanted) = self.waiting.iter().find(|waiting| waiting.key == *key) {
            let answered = Reported::of(&wanted.need(), true, true);
            self.reported.insert(key, answered);
        }
    }

    fn withdraw(&mut self, key: &AlarmKey) {
        self.eased.retain(|eased| eased.key != *key);
        self.waiting.retain(|waiting| waiting.key != *key);
        if self.waiting.is_empty() {
            self.due_at = None;
        }
    }
}

#[cfg(test)]
mod tests;
