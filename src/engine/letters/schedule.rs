//! Who must be written to, and when: bundling, threads, reminders, the letter before
//! a round, and the bounds that keep a bad night from becoming a hundred letters.

use crate::alarm::{AlarmKey, AlarmKind};
use crate::letters::facts::{LetterKind, Occasion};
use crate::units::Timestamp;
use alloc::collections::{BTreeMap, VecDeque};
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Alarms inside this span come as one letter.
const BUNDLE: TimeDelta = TimeDelta::minutes(1);
/// Reminders of an unanswered `now` alarm, counted from its letter; no more after the last.
const REMINDERS: [TimeDelta; 5] =
    [TimeDelta::minutes(15), TimeDelta::minutes(30), TimeDelta::hours(1), TimeDelta::hours(2), TimeDelta::hours(4)];
/// More alarms than this in ten minutes are a flood (published definition, restated in
/// open texts), which becomes one letter every quarter of an hour.
const FLOOD: usize = 10;
const FLOOD_SPAN: TimeDelta = TimeDelta::minutes(10);
const FLOOD_PAUSE: TimeDelta = TimeDelta::minutes(15);
/// Letters that call in one episode, reminders included; a new call always passes
/// (own default).
const MOST_AN_EPISODE: usize = 6;
/// Letters in an hour before reminders and returns wait. A new alarm always passes. Own default.
const MOST_AN_HOUR: usize = 6;

/// The letters of alarms.
#[derive(Clone, Debug, Default)]
pub struct Correspondence {
    waiting: Vec<(Occasion, AlarmKey)>,
    due_at: Option<Timestamp>,
    threads: BTreeMap<AlarmKey, Thread>,
    raised: VecDeque<Timestamp>,
    written: VecDeque<Timestamp>,
    reported_before_round: BTreeMap<AlarmKey, Timestamp>,
}

/// One episode's letters.
#[derive(Clone, Debug)]
struct Thread {
    letter: String,
    written_at: Timestamp,
    reminders: usize,
    /// Letters that have called in this episode.
    called: usize,
    answered: bool,
    /// Its return was told, and nothing of it since: a sensor that comes and goes all
    /// night returns in one letter, not in thirty.
    over: bool,
}

/// A letter that is due, before its facts are gathered.
#[derive(Clone, Debug, PartialEq)]
pub struct Draft {
    /// The letter's id.
    pub id: String,
    /// Whether it calls, tells of a round, or is the day's digest.
    pub kind: LetterKind,
    /// The letter it answers.
    pub answers: Option<String>,
    /// What it is about.
    pub about: Vec<(Occasion, AlarmKey)>,
}

impl Correspondence {
    /// A `now` alarm was raised, came back, or became urgent.
    pub fn raise(&mut self, at: Timestamp, key: &AlarmKey, occasion: Occasion) {
        if key.kind == AlarmKind::MailFailing {
            // A letter cannot say that letters do not leave; the lamp and the digest do.
            return;
        }
        self.raised.push_back(at);
        self.waiting.retain(|(_, waiting)| waiting != key);
        self.waiting.push((occasion, key.clone()));
        self.schedule(at, true);
    }

    /// An alarm came back in an episode that has a thread: its reminders go on.
    pub fn came_back(&mut self, at: Timestamp, key: &AlarmKey) {
        // Its return may not have been written yet; then nothing need be said at all.
        self.waiting.retain(|(occasion, waiting)| waiting != key || *occasion != Occasion::Returned);
        match self.threads.get_mut(key) {
            Some(thread) => thread.answered = false,
            None => self.raise(at, key, Occasion::Raised),
        }
    }

    /// An alarm is over.
    pub fn returned(&mut self, at: Timestamp, key: &AlarmKey) {
        let unwritten =
            self.waiting.iter().any(|(occasion, waiting)| waiting == key && *occasion != Occasion::Returned);
        self.waiting.retain(|(_, waiting)| waiting != key);
        if let Some(thread) = self.threads.get_mut(key) {
            thread.answered = true;
            if !thread.over && (!unwritten || thread.reminders > 0) {
                self.waiting.push((Occasion::Returned, key.clone()));
                self.schedule(at, false);
            }
        }
        if self.waiting.is_empty() {
            self.due_at = None;
        }
    }

    /// A new episode begins: an old thread is closed.
    pub fn new_episode(&mut self, key: &AlarmKey) {
        self.threads.remove(key);
        self.reported_before_round.remove(key);
    }

    /// Somebody answered, or silenced it.
    pub fn answered(&mut self, key: &AlarmKey) {
        if let Some(thread) = self.threads.get_mut(key) {
            thread.answered = true;
        }
        self.waiting.retain(|(occasion, waiting)| waiting != key || *occasion == Occasion::Returned);
    }

    /// When to call [`Correspondence::take_due`] next.
    pub fn deadline(&self) -> Option<Timestamp> {
        let reminders = self.threads.values().filter_map(Thread::next_reminder);
        self.due_at.into_iter().chain(reminders).min()
    }

    /// The letter that is due now, if any.
    pub fn take_due(&mut self, at: Timestamp) -> Option<Draft> {
        let mut reminded = false;
        for (key, thread) in &mut self.threads {
            if thread.next_reminder().is_some_and(|due| due <= at) {
                thread.reminders += 1;
                thread.called += 1;
                self.waiting.retain(|(_, waiting)| waiting != key);
                self.waiting.push((Occasion::Reminder(thread.reminders as u8), key.clone()));
                reminded = true;
            }
        }
        if reminded {
            self.schedule(at, false);
        }
        if self.due_at.is_none_or(|due| due > at) {
            return None;
        }
        self.due_at = None;
        let fresh = self.waiting.iter().any(|(occasion, _)| is_fresh(*occasion));
        if let Some(room) = self.room_for(at, fresh).filter(|room| *room > at) {
            // Others were written since it was decided.
            self.due_at = Some(room);
            return None;
        }
        let about = core::mem::take(&mut self.waiting);
        let (_, first) = about.first()?;
        let id = format!("alarm-{}-{}-{}", at.timestamp(), first.kind.word(), first.subject);
        // Fresh news opens its own thread; everything else answers the letter that opened it.
        let answers = about
            .iter()
            .find(|(occasion, _)| *occasion != Occasion::Raised)
            .filter(|_| !about.iter().any(|(occasion, _)| *occasion == Occasion::Raised))
            .and_then(|(_, key)| self.threads.get(key))
            .map(|thread| thread.letter.clone());
        for (occasion, key) in &about {
            match occasion {
                Occasion::Raised | Occasion::Escalated => {
                    let letter = answers.clone().unwrap_or_else(|| id.clone());
                    let called = 1 + self.threads.get(key).map_or(0, |thread| thread.called);
                    let thread = Thread { letter, written_at: at, reminders: 0, called, answered: false, over: false };
                    self.threads.insert(key.clone(), thread);
                }
                Occasion::Returned => {
                    if let Some(thread) = self.threads.get_mut(key) {
                        thread.answered = true;
                        thread.over = true;
                    }
                }
                Occasion::Reminder(_) => {
                    if let Some(thread) = self.threads.get_mut(key) {
                        thread.over = false;
                    }
                }
                Occasion::Waiting => {}
            }
        }
        self.note_written(at);
        Some(Draft { id, kind: LetterKind::Alarm, answers, about })
    }

    /// The letter before a round: `standing` holds what is active, with the time it was
    /// raised and whether it waits for the round. `None` when there is no news in it.
    pub fn before_round(&mut self, at: Timestamp, standing: Vec<(AlarmKey, Timestamp, bool)>) -> Option<Draft> {
        let news = |key: &AlarmKey, raised: &Timestamp| self.reported_before_round.get(key) != Some(raised);
        if !standing.iter().any(|(key, raised, waits)| *waits && news(key, raised)) {
            return None;
        }
        for (key, raised, _) in &standing {
            self.reported_before_round.insert(key.clone(), *raised);
        }
        let about = standing.into_iter().map(|(key, ..)| (Occasion::Waiting, key)).collect();
        self.note_written(at);
        Some(Draft { id: format!("round-{}", at.timestamp()), kind: LetterKind::Round, answers: None, about })
    }

    /// This alarm's present episode stands in a letter that was written.
    pub fn has_thread(&self, key: &AlarmKey) -> bool {
        self.threads.contains_key(key)
    }

    fn schedule(&mut self, at: Timestamp, fresh: bool) {
        while self.raised.front().is_some_and(|when| at - *when > FLOOD_SPAN) {
            self.raised.pop_front();
        }
        let mut due = at + BUNDLE;
        if self.raised.len() > FLOOD
            && let Some(last) = self.written.back()
        {
            due = due.max(*last + FLOOD_PAUSE);
        }
        if let Some(room) = self.room_for(at, fresh) {
            due = due.max(room);
        }
        // What is due now stays due now: alarms a minute apart must not put each other off.
        self.due_at = Some(self.due_at.map_or(due, |earlier| earlier.min(due)));
    }

    /// When an hour has room for another letter that brings nothing new; `None`: now.
    fn room_for(&mut self, at: Timestamp, fresh: bool) -> Option<Timestamp> {
        while self.written.front().is_some_and(|when| at - *when >= TimeDelta::hours(1)) {
            self.written.pop_front();
        }
        let over = self.written.len().checked_sub(MOST_AN_HOUR).filter(|_| !fresh)?;
        self.written.get(over).map(|when| *when + TimeDelta::hours(1))
    }

    fn note_written(&mut self, at: Timestamp) {
        self.written.push_back(at);
    }
}

fn is_fresh(occasion: Occasion) -> bool {
    matches!(occasion, Occasion::Raised | Occasion::Escalated)
}

impl Thread {
    fn next_reminder(&self) -> Option<Timestamp> {
        if self.answered || self.called >= MOST_AN_EPISODE {
            return None;
        }
        REMINDERS.get(self.reminders).map(|after| self.written_at + *after)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::borrow::ToOwned;

    fn minute(minute: i64) -> Timestamp {
        Timestamp::from_timestamp(1_772_600_000 + minute * 60, 0).unwrap()
    }

    fn key(subject: &str) -> AlarmKey {
        AlarmKey { kind: AlarmKind::AirTooDamp, subject: subject.to_owned() }
    }

    /// Every letter until `until`, with its minute.
    fn written(letters: &mut Correspondence, from: i64, until: i64) -> Vec<(i64, Draft)> {
        (from..until).filter_map(|at| letters.take_due(minute(at)).map(|draft| (at, draft))).collect()
    }

    #[test]
    fn after_six_letters_of_one_episode_only_a_new_call_passes() {
        let mut letters = Correspondence::default();
        letters.raise(minute(0), &key("rack-a"), Occasion::Raised);
        let mut all = written(&mut letters, 0, 40);
        letters.raise(minute(40), &key("rack-a"), Occasion::Escalated);
        all.extend(written(&mut letters, 40, 100));
        letters.raise(minute(100), &key("rack-a"), Occasion::Escalated);
        all.extend(written(&mut letters, 100, 1000));
        let at: Vec<i64> = all.iter().map(|(at, _)| *at).collect();
        assert_eq!(at, [1, 17, 32, 41, 57, 72, 101], "two calls with reminders, then a call without");
    }

    #[test]
    fn a_return_that_waits_gives_way_to_new_alarms_written_meanwhile() {
        let mut letters = Correspondence::default();
        letters.raise(minute(0), &key("a"), Occasion::Raised);
        written(&mut letters, 0, 2);
        letters.answered(&key("a"));
        for at in 3..8 {
            let name = format!("rack-{at}");
            letters.raise(minute(at * 2), &key(&name), Occasion::Raised);
            written(&mut letters, at * 2, at * 2 + 2);
            letters.answered(&key(&name));
        }
        letters.returned(minute(16), &key("a"));
        // Fresh news would have taken it along at once, but is answered before it is written.
        letters.raise(minute(16), &key("rack-9"), Occasion::Raised);
        letters.answered(&key("rack-9"));
        let all = written(&mut letters, 16, 120);
        assert_eq!(all.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [61], "an hour after the first of six");
    }
}
