//! One night, one conversation: what is open since the last round is told in one thread.
//! Here is decided who must be written to and when: calls, reminders that look before they
//! speak, the evening letter, the letter before a round, one letter when all of it is over,
//! and the bounds that keep a bad night from becoming a hundred letters.

use crate::alarm::AlarmKey;
use crate::letters::facts::LetterKind;
use crate::letters::situation::Cause;
use crate::letters::situation::Occasion;
use crate::units::Timestamp;
use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Calls inside this span come as one letter.
const BUNDLE: TimeDelta = TimeDelta::minutes(1);
/// Reminders of an unanswered call, counted from it; no more after the last. Own default.
const REMINDERS: [TimeDelta; 3] = [TimeDelta::minutes(20), TimeDelta::hours(1), TimeDelta::hours(3)];
/// Letters from one round to the next, that of the round and the digest apart: with these two
/// they are six. Own default.
const MOST_A_NIGHT: usize = 4;
/// The same when a second, different harm begins sooner: with the two they are ten.
const MOST_OF_TWO: usize = 8;
/// A hazard is covered by a letter that asks for hands no later than this after it would. Own default.
const SAME_WALK: TimeDelta = TimeDelta::minutes(15);
/// The same where the letter asked for hands for the same cause: its early hour is no better known
/// than this. Own default.
const SAME_CAUSE: TimeDelta = TimeDelta::hours(1);
/// All of it must be over for so long before that is written. Own default.
const OVER_HOLDS: TimeDelta = TimeDelta::minutes(2);
/// A digest that comes within this says it instead.
const DIGEST_IS_NEAR: TimeDelta = TimeDelta::hours(1);

/// The letters of alarms since the last round.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Conversation {
    /// The letter that opened it.
    root: Option<String>,
    reported: BTreeMap<AlarmKey, Reported>,
    /// Calls that wait to be written together.
    waiting: Vec<(Occasion, AlarmKey)>,
    due_at: Option<Timestamp>,
    last_call: Option<Timestamp>,
    /// When the evening letter was written.
    evening_at: Option<Timestamp>,
    reminders: usize,
    letters: usize,
    over_due: Option<Timestamp>,
    /// People were in the room; what still needs hands and nobody answered is called anew.
    call_again_at: Option<Timestamp>,
}

/// One alarm of the conversation.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Reported {
    cause: Cause,
    /// When its harm could begin, as it was told.
    early: Option<Timestamp>,
    /// In a letter that calls, not only in one that waits for a round.
    called: bool,
    answered: bool,
    over: bool,
    /// Called once more after a round; a grower who lets it stand has seen it twice.
    again: bool,
}

impl Reported {
    /// It was called for, and nobody has answered.
    fn is_open_call(&self) -> bool {
        self.called && !self.answered && !self.over
    }
}

/// An alarm that needs hands.
#[derive(Clone, Debug)]
pub(crate) struct Need<'a> {
    /// Which.
    pub key: &'a AlarmKey,
    /// What it shares with others.
    pub cause: Cause,
    /// When its harm may begin.
    pub early: Option<Timestamp>,
}

/// A letter that is due, before its facts are gathered.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Draft {
    /// The letter's id.
    pub id: String,
    /// Which letter.
    pub kind: LetterKind,
    /// The letter that opened the thread.
    pub answers: Option<String>,
    /// What it brings; whatever else is open is named beside it.
    pub about: Vec<(Occasion, AlarmKey)>,
}

impl Conversation {
    /// An alarm needs hands now. True if that is a new call, or the evening letter just was it; else a letter that is written or
    /// about to be brings the same hands in time, and the next one names it.
    pub(crate) fn needs_hands(&mut self, at: Timestamp, need: Need<'_>) -> bool {
        let before = self.reported.get(need.key);
        let in_time = |reported: &Reported| match (reported.early, need.early) {
            (Some(early), Some(needed)) => {
                early <= needed + if reported.cause == need.cause { SAME_CAUSE } else { SAME_WALK }
            }
            (reported, None) => reported.is_some(),
            (None, Some(_)) => false,
        };
        let reminding = self.last_call.is_some() && self.reminders < REMINDERS.len();
        let covers = |reported: &Reported| {
            let shares = reported.cause == need.cause && (reported.called || reported.answered);
            !reported.over && in_time(reported) && (shares || (reported.called && !reported.answered && reminding))
        };
        let covered = self.reported.values().any(covers);
        let different = !self.reported.values().any(|reported| reported.called && reported.cause == need.cause);
        let room = self.letters < if different { MOST_OF_TWO } else { MOST_A_NIGHT };
        let occasion = if before.is_some() { Occasion::Escalated } else { Occasion::Raised };
        if covered || !room {
            let answered = before.is_some_and(|reported| reported.answered) || self.answers(&need.cause);
            let called = covered || before.is_some_and(|reported| reported.called);
            let reported =
                Reported { cause: need.cause, early: need.early, called, answered, over: false, again: false };
            self.reported.insert(need.key.clone(), reported);
            return false;
        }
        if let Some(evening) = self.evening_at.filter(|evening| at - *evening < REMINDERS[0])
            && let Some(reported) = self.reported.get_mut(need.key)
            && !reported.called
            && !reported.answered
            && !reported.over
        {
            // They have just read of it: this is the call, and what follows are its reminders.
            reported.called = true;
            reported.early = need.early;
            self.last_call = self.last_call.max(Some(evening));
            self.reminders = 0;
            return true;
        }
        self.over_due = None;
        self.waiting.retain(|(_, waiting)| waiting != need.key);
        self.waiting.push((occasion, need.key.clone()));
        self.reported.insert(
            need.key.clone(),
            Reported { cause: need.cause, early: need.early, called: true, answered: false, over: false, again: false },
        );
        // What is due now stays due now: alarms a minute apart must not put each other off.
        self.due_at.get_or_insert(at + BUNDLE);
        true
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
        if self.waiting.iter().any(|(_, waiting)| waiting == key) {
            // Nobody was told yet: nothing need be said at all.
            self.waiting.retain(|(_, waiting)| waiting != key);
            self.reported.remove(key);
        }
        if self.waiting.is_empty() {
            self.due_at = None;
        }
        let Some(reported) = self.reported.get_mut(key) else { return };
        reported.over = true;
        if self.root.is_some() && self.reported.values().all(|reported| reported.over) {
            self.over_due = Some(at + OVER_HOLDS);
        }
    }

    /// A new episode begins: what was told of the old one is told.
    pub(crate) fn new_episode(&mut self, key: &AlarmKey) {
        self.reported.remove(key);
    }

    /// Somebody answered one: everything that was in the letters is answered. Which.
    pub(crate) fn answered(&mut self, key: &AlarmKey) -> Vec<AlarmKey> {
        if !self.reported.contains_key(key) {
            return Vec::new();
        }
        let unwritten: Vec<AlarmKey> = self.waiting.iter().map(|(_, waiting)| waiting.clone()).collect();
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
        if let Some(reported) = self.reported.get_mut(key) {
            reported.answered = true;
        }
        self.withdraw(key);
    }

    /// When to call [`Conversation::take_due`] next.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        [self.due_at, self.next_reminder(), self.over_due, self.call_again_at].into_iter().flatten().min()
    }

    /// The letter that is due now, if any. `needs_hands` says whether the rule for a call
    /// holds for an alarm at this very minute; `digest_at` is the next digest.
    pub(crate) fn take_due(
        &mut self,
        at: Timestamp,
        digest_at: Timestamp,
        needs_hands: impl Fn(&AlarmKey) -> bool,
    ) -> Option<Draft> {
        if self.call_again_at.is_some_and(|due| due <= at) {
            self.call_again_at = None;
            let again: Vec<AlarmKey> = self
                .reported
                .iter_mut()
                .filter(|(key, told)| told.is_open_call() && !told.again && needs_hands(key))
                .map(|(key, told)| {
                    told.again = true;
                    key.clone()
                })
                .collect();
            if !again.is_empty() {
                // People were at it; once is enough.
                self.reminders = REMINDERS.len();
                self.last_call = Some(at);
                let about = again.into_iter().map(|key| (Occasion::Reminder(1), key)).collect();
                return Some(self.written(format!("alarm-{}-reminder", at.timestamp()), LetterKind::Alarm, about));
            }
        }
        if self.due_at.is_some_and(|due| due <= at) {
            // Whatever eases in this very minute is looked at again in the next.
            let about: Vec<(Occasion, AlarmKey)> = self.waiting.extract_if(.., |(_, key)| needs_hands(key)).collect();
            self.due_at = (!self.waiting.is_empty()).then_some(at + BUNDLE);
            if let Some((_, first)) = about.first() {
                let id = format!("alarm-{}-{}-{}", at.timestamp(), first.kind.word(), first.subject);
                self.last_call = Some(at);
                self.reminders = 0;
                return Some(self.written(id, LetterKind::Alarm, about));
            }
        }
        if self.next_reminder().is_some_and(|due| due <= at) {
            self.reminders += 1;
            let number = self.reminders as u8;
            let about: Vec<(Occasion, AlarmKey)> = self
                .open_calls()
                .filter(|key| needs_hands(key))
                .map(|key| (Occasion::Reminder(number), key.clone()))
                .collect();
            if !about.is_empty() {
                return Some(self.written(format!("alarm-{}-reminder", at.timestamp()), LetterKind::Alarm, about));
            }
        }
        if self.over_due.is_some_and(|due| due <= at) {
            self.over_due = None;
            let over: Vec<(Occasion, AlarmKey)> =
                self.reported.keys().map(|key| (Occasion::Returned, key.clone())).collect();
            self.reported.clear();
            if self.letters < MOST_OF_TWO && digest_at - at > DIGEST_IS_NEAR {
                return Some(self.written(format!("over-{}", at.timestamp()), LetterKind::Over, over));
            }
        }
        None
    }

    /// The evening letter, with whatever will need hands before the morning or cannot be
    /// watched in the night; `None` when all of that was told already.
    pub(crate) fn evening(&mut self, at: Timestamp, needs: Vec<Need<'_>>) -> Option<Draft> {
        let news = |need: &Need<'_>| {
            self.reported.get(need.key).is_none_or(|reported| reported.over)
                && !self
                    .reported
                    .values()
                    .any(|reported| reported.cause == need.cause && !reported.over && reported.called)
        };
        if !needs.iter().any(news) || self.letters >= MOST_A_NIGHT {
            return None;
        }
        let about = self.tell(needs);
        self.evening_at = Some(at);
        Some(self.written(format!("evening-{}", at.timestamp()), LetterKind::Evening, about))
    }

    /// The letter before a round; `None` when nothing in it is new.
    pub(crate) fn before_round(&mut self, at: Timestamp, needs: Vec<Need<'_>>) -> Option<Draft> {
        if !needs.iter().any(|need| !self.reported.contains_key(need.key)) {
            return None;
        }
        let about = self.tell(needs);
        let letters = self.letters;
        let draft = self.written(format!("round-{}", at.timestamp()), LetterKind::Round, about);
        self.letters = letters;
        Some(draft)
    }

    /// A round begins: people are in the room, and a new conversation with them. What is open
    /// and unanswered is taken along.
    pub(crate) fn round_begins(&mut self, lasts_until: Timestamp) {
        // Who let a call and all its reminders stand has been told often enough.
        let told_often = self.letters >= MOST_A_NIGHT;
        self.root = None;
        self.letters = 0;
        self.last_call = None;
        self.evening_at = None;
        self.reminders = 0;
        self.over_due = None;
        self.reported.retain(|_, reported| !reported.over && !reported.answered);
        let stands = self.reported.values().any(|reported| reported.called);
        self.call_again_at = (stands && !told_often).then_some(lasts_until);
    }

    /// This alarm's present episode stands in a letter that was written or is about to be.
    pub(crate) fn names(&self, key: &AlarmKey) -> bool {
        self.reported.contains_key(key)
    }

    fn tell(&mut self, needs: Vec<Need<'_>>) -> Vec<(Occasion, AlarmKey)> {
        let mut about = Vec::new();
        for need in needs {
            about.push((Occasion::Waiting, need.key.clone()));
            self.reported.entry(need.key.clone()).or_insert(Reported {
                cause: need.cause,
                early: need.early,
                called: false,
                answered: false,
                over: false,
                again: false,
            });
        }
        about
    }

    fn written(&mut self, id: String, kind: LetterKind, about: Vec<(Occasion, AlarmKey)>) -> Draft {
        self.letters += 1;
        let answers = self.root.clone();
        self.root.get_or_insert_with(|| id.clone());
        Draft { id, kind, answers, about }
    }

    fn answers(&self, cause: &Cause) -> bool {
        self.reported
            .values()
            .any(|reported| reported.cause == *cause && reported.called && reported.answered && !reported.over)
    }

    /// What was called for and nobody has answered.
    fn open_calls(&self) -> impl Iterator<Item = &AlarmKey> {
        self.reported.iter().filter(|(_, reported)| reported.is_open_call()).map(|(key, _)| key)
    }

    fn next_reminder(&self) -> Option<Timestamp> {
        let last = self.last_call.filter(|_| self.letters < MOST_A_NIGHT && self.due_at.is_none())?;
        self.open_calls().next()?;
        REMINDERS.get(self.reminders).map(|after| last + *after)
    }

    fn withdraw(&mut self, key: &AlarmKey) {
        self.waiting.retain(|(_, waiting)| waiting != key);
        if self.waiting.is_empty() {
            self.due_at = None;
        }
    }
}

#[cfg(test)]
mod tests;
