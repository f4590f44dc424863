//! How urgent an alarm is: the waking rule, seen by what the letters have told of it and by who was
//! in the room since.

use super::{Alarm, Transition};
use crate::alarm::evidence::Evidence;
use crate::alarm::kinds::Priority;
use crate::alarm::waking::{AS_GOOD_AS_SURE, LIKELY, Moment};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Harm that comes sooner by this than a letter said is news to whoever answered it. Own default.
const SOONER: TimeDelta = TimeDelta::hours(1);
/// What was called for is known for so long to whoever has been in the room since. Own default.
const CALLED_KNOWN_FOR: TimeDelta = TimeDelta::days(3);
/// What another letter named as open is known for so long. Own default.
const NAMED_KNOWN_FOR: TimeDelta = TimeDelta::days(1);
/// A round may be late by so much, and who was told of a thing sees to it then. Own default.
const ROUND_MAY_BE_LATE: TimeDelta = TimeDelta::hours(1);

impl Alarm {
    /// A letter named it, with the time it gave.
    pub fn reported(&mut self) {
        self.told_early = Some(self.harm.map_or(Timestamp::MAX_UTC, |harm| harm.early));
    }

    /// Somebody was called for it, or is called for what brings the same hands.
    pub fn called(&mut self) {
        self.told_for = Some(CALLED_KNOWN_FOR);
    }

    /// A letter that called for nothing named it as open.
    pub(crate) fn named(&mut self) {
        self.told_for = self.told_for.max(Some(NAMED_KNOWN_FOR));
    }

    /// A letter for the round told it: until people have gone again it becomes no more urgent.
    pub(crate) fn waits_for_people(&mut self, until: Timestamp) {
        self.escalate_not_before = Some(until);
    }

    /// A round begins: people are in the room, and what stands becomes no more urgent while
    /// they are at it.
    pub(crate) fn round_begins(&mut self, lasts_until: Timestamp) {
        self.told_early = None;
        let told_for = self.told_for.take();
        self.known_until = self.known_until.max(told_for.map(|known_for| lasts_until + known_for));
        if self.active {
            self.escalate_not_before = Some(lasts_until);
            self.awaited_until = told_for.map(|_| lasts_until + ROUND_MAY_BE_LATE);
        }
    }

    /// Hands are needed before the next round.
    pub(crate) fn needs_hands(&self, moment: &Moment) -> bool {
        self.active && self.clearing_since.is_none() && self.own(moment).needs_hands(self.harm)
    }

    /// Somebody is called for it, if the letters have not told enough.
    pub(crate) fn is_worth_a_call(&self, moment: &Moment) -> bool {
        self.active && self.clearing_since.is_none() && self.own(moment).is_worth_a_call(self.harm)
    }

    /// People know of it: a letter told them of this episode or of one just before, or somebody has
    /// answered.
    pub(crate) fn is_known(&self, at: Timestamp) -> bool {
        let answered = !self.unacknowledged || self.shelved_until.is_some() || self.out_of_service.is_some();
        answered || self.told_for.is_some() || self.known_until.is_some_and(|until| at < until)
    }

    /// Harm of it is in sight.
    pub(crate) fn is_of_concern(&self, moment: &Moment) -> bool {
        self.own(moment).priority(self.harm, false) != Priority::Digest
    }

    /// The moment by this alarm's own rule. Whoever was told of it and has been in the room since
    /// knows of it, and so does who read of it before going to bed: a call changes less than the first
    /// word did, and is worth it only for what comes more likely than not.
    pub(super) fn own(&self, moment: &Moment) -> Moment {
        let wake_if = self.wake_if.unwrap_or(moment.wake_if);
        let known = self.known_until.is_some_and(|until| moment.at < until) || self.told_early.is_some();
        // A leak has been proven before it is told: there is nothing to wait for.
        let proven = matches!(self.evidence, Some(Evidence::Leak { .. }));
        Moment {
            wake_if,
            call_if: if known { wake_if.max(LIKELY) } else { wake_if },
            sure_from: if proven { 0.0 } else { moment.sure_from },
            ..*moment
        }
    }

    /// It leaves something unwatched that grows or draws.
    pub(crate) fn hides_the_night(&self) -> bool {
        let blind = match &self.evidence {
            Some(Evidence::Silent { blind, .. }) => *blind,
            Some(Evidence::Broker) => true,
            Some(Evidence::Stuck { .. } | Evidence::Implausible { .. }) => true,
            _ => false,
        };
        blind && self.active && self.clearing_since.is_none() && self.harm.is_some()
    }

    /// The waking rule; what rests on an entry that nobody typed waits for a round.
    pub(super) fn asked_or_called(&self, moment: &Moment) -> Priority {
        let priority = moment.priority(self.harm, self.told_early.is_some());
        let Some(evidence) = &self.evidence else { return priority };
        let priority = if evidence.is_a_question() { priority.max(Priority::NextRound) } else { priority };
        if evidence.wants_a_look() { priority.min(Priority::NextRound) } else { priority }
    }

    /// Only upwards within an episode: a hazard that was told as urgent is not
    /// taken back by a better minute, it is over when it is over.
    pub(super) fn reconsider(&mut self, moment: &Moment) -> Option<Transition> {
        let before = |until: Option<Timestamp>| until.is_some_and(|until| moment.at < until);
        // What is as good as sure waits for nobody who should have been there.
        let unsure = moment.chance(self.harm) < AS_GOOD_AS_SURE;
        if before(self.escalate_not_before) || (unsure && before(self.awaited_until)) {
            return None;
        }
        let priority = self.asked_or_called(moment);
        if priority >= self.priority {
            return None;
        }
        let sooner = |reported: Timestamp| self.harm.is_some_and(|harm| reported - harm.early > SOONER);
        // Whoever answered a letter that gave the hour has it in hand.
        if !self.unacknowledged && self.told_early.is_some_and(|reported| !sooner(reported)) {
            return None;
        }
        self.priority = priority;
        // Whoever said "seen" said it of something that could wait.
        self.unacknowledged |= priority == Priority::Now;
        Some(Transition::Escalated)
    }
}
