//! What the letters of this night told of each alarm, and what people said to it.

use crate::alarm::AlarmKey;
use crate::letters::situation::Cause;
use crate::units::Timestamp;
use alloc::collections::BTreeMap;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A hazard is covered by a letter that asks for hands no later than this after it would. Own default.
const SAME_WALK: TimeDelta = TimeDelta::minutes(15);

/// The same where the letter asked for hands for the same cause: its early hour is no better known
/// than this. Own default.
const SAME_CAUSE: TimeDelta = TimeDelta::hours(1);

/// An alarm that needs hands.
#[derive(Clone, Debug)]
pub(crate) struct Need<'a> {
    /// The alarm that somebody must see to.
    pub(crate) key: &'a AlarmKey,
    /// What it shares with others.
    pub(crate) cause: Cause,
    /// When its harm may begin.
    pub(crate) early: Option<Timestamp>,
}

/// One alarm of the conversation.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Reported {
    pub(super) cause: Cause,
    /// When its harm could begin, as it was told.
    pub(super) early: Option<Timestamp>,
    /// In a letter that calls, not only in one that waits for a round.
    pub(super) called: bool,
    pub(super) answered: bool,
    pub(super) over: bool,
    /// Called once more after a round; a grower who lets it stand has seen it twice.
    pub(super) again: bool,
}

impl Reported {
    /// It was called for, or waits for a round, as this need has it.
    pub(super) fn of(need: &Need<'_>, called: bool, answered: bool) -> Self {
        Reported { cause: need.cause.clone(), early: need.early, called, answered, over: false, again: false }
    }

    /// It was called for, and nobody has answered.
    fn is_open_call(&self) -> bool {
        self.called && !self.answered && !self.over
    }

    /// Whoever comes for it comes in time for this need.
    fn is_in_time_for(&self, need: &Need<'_>) -> bool {
        match (self.early, need.early) {
            (Some(early), Some(needed)) => {
                early <= needed + if self.cause == need.cause { SAME_CAUSE } else { SAME_WALK }
            }
            (reported, None) => reported.is_some(),
            (None, Some(_)) => false,
        }
    }
}

/// Every alarm of the conversation.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Reports(BTreeMap<AlarmKey, Reported>);

impl Reports {
    pub(super) fn get(&self, key: &AlarmKey) -> Option<&Reported> {
        self.0.get(key)
    }

    pub(super) fn get_mut(&mut self, key: &AlarmKey) -> Option<&mut Reported> {
        self.0.get_mut(key)
    }

    pub(super) fn insert(&mut self, key: &AlarmKey, reported: Reported) {
        self.0.insert(key.clone(), reported);
    }

    pub(super) fn remove(&mut self, key: &AlarmKey) {
        self.0.remove(key);
    }

    pub(super) fn iter_mut(&mut self) -> impl Iterator<Item = (&AlarmKey, &mut Reported)> {
        self.0.iter_mut()
    }

    /// What will need hands is named in a letter that calls for none of it. What was told
    /// before stays as it was told.
    pub(super) fn insert_waiting(&mut self, needs: &[Need<'_>]) {
        for need in needs {
            self.0.entry(need.key.clone()).or_insert_with(|| Reported::of(need, false, false));
        }
    }

    /// A letter that was written brings the same hands in time: one of the same cause, or a
    /// call that will still be repeated.
    pub(super) fn cover(&self, need: &Need<'_>, reminding: bool) -> bool {
        self.0.values().any(|reported| {
            let shares = reported.cause == need.cause && (reported.called || reported.answered);
            !reported.over
                && reported.is_in_time_for(need)
                && (shares || (reported.called && !reported.answered && reminding))
        })
    }

    /// Somebody was called for this cause.
    pub(super) fn have_called_for(&self, cause: &Cause) -> bool {
        self.0.values().any(|reported| reported.called && reported.cause == *cause)
    }

    /// Somebody has a call for this cause in hand.
    pub(super) fn have_answer_to(&self, cause: &Cause) -> bool {
        self.0
            .values()
            .any(|reported| reported.cause == *cause && reported.called && reported.answered && !reported.over)
    }

    /// No letter named it as it now is, and none called for its cause.
    pub(super) fn lack(&self, need: &Need<'_>) -> bool {
        self.0.get(need.key).is_none_or(|reported| reported.over)
            && !self.0.values().any(|reported| reported.cause == need.cause && !reported.over && reported.called)
    }

    /// What was called for and nobody has answered.
    pub(super) fn open_calls(&self) -> impl Iterator<Item = &AlarmKey> {
        self.0.iter().filter(|(_, reported)| reported.is_open_call()).map(|(key, _)| key)
    }

    /// Takes those of the open calls that may be called once more, each once.
    pub(super) fn take_again(&mut self, needs_hands: impl Fn(&AlarmKey) -> bool) -> Vec<AlarmKey> {
        let again = self.0.iter_mut().filter(|(key, told)| told.is_open_call() && !told.again && needs_hands(key));
        again
            .map(|(key, told)| {
                told.again = true;
                key.clone()
            })
            .collect()
    }

    pub(super) fn are_all_over(&self) -> bool {
        self.0.values().all(|reported| reported.over)
    }

    /// Forgets all of it. Which alarms it was.
    pub(super) fn take_all(&mut self) -> Vec<AlarmKey> {
        core::mem::take(&mut self.0).into_keys().collect()
    }

    /// Keeps what is neither over nor in somebody's hands. Whether anybody was called for it.
    pub(super) fn keep_open(&mut self) -> bool {
        self.0.retain(|_, reported| !reported.over && !reported.answered);
        self.0.values().any(|reported| reported.called)
    }
}
