//! What people do with an alarm: seen, graded, silenced, taken out of service.

use super::{Alarm, Transition};
use crate::event::Grade;
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use chrono::TimeDelta;

impl Alarm {
    /// "I have seen it." Says whether that changed anything.
    pub fn acknowledge(&mut self, at: Timestamp, by: &str) -> Option<Transition> {
        if !self.unacknowledged {
            return None;
        }
        self.unacknowledged = false;
        self.answered(at, by);
        Some(Transition::Acknowledged)
    }

    /// The same person has answered it in this very minute: an answer to a letter answers all of
    /// it, and then names each of them.
    pub(crate) fn was_just_answered(&self, at: Timestamp, by: &str) -> bool {
        let just = self.answered_at.is_some_and(|answered| at - answered <= TimeDelta::minutes(1));
        just && self.by.as_deref() == Some(by)
    }

    /// Somebody says whether its call was right; the last word counts. Says whether that is news.
    pub fn grade(&mut self, at: Timestamp, by: &str, grade: Option<Grade>) -> bool {
        let Some(given) = grade.filter(|grade| self.times > 0 && self.grade != Some(*grade)) else { return false };
        self.grade = Some(given);
        if !self.unacknowledged {
            self.answered(at, by);
        }
        true
    }

    /// Silences it until a time. The caller has checked the time.
    pub fn shelve(&mut self, at: Timestamp, by: &str, until: Timestamp) -> Transition {
        self.shelved_until = Some(until);
        self.answered(at, by);
        Transition::Shelf
    }

    /// Brings it back.
    pub(crate) fn unshelve(&mut self, at: Timestamp, by: &str) -> Option<Transition> {
        if self.shelved_until.is_none() && self.out_of_service.is_none() {
            return None;
        }
        self.shelved_until = None;
        self.out_of_service = None;
        self.answered(at, by);
        Some(Transition::Shelf)
    }

    /// Takes it out of service.
    pub(crate) fn take_out(&mut self, at: Timestamp, by: &str, reason: &str) -> Transition {
        self.out_of_service = Some(reason.to_owned());
        self.answered(at, by);
        Transition::Shelf
    }

    fn answered(&mut self, at: Timestamp, by: &str) {
        self.by = Some(by.to_owned());
        self.answered_at = Some(at);
    }
}
