//! The life cycle of one alarm. Every state that waits carries its own deadline;
//! nothing here asks the time.

mod answered;
mod urgency;

use crate::alarm::change::AlarmChange;
use crate::alarm::evidence::{Condition, Evidence};
use crate::alarm::harm::Harm;
use crate::alarm::kinds::{AlarmKey, AlarmState, Priority};
use crate::alarm::pending::Pending;
use crate::alarm::waking::Moment;
use crate::event::Grade;
use crate::units::Timestamp;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// An alarm that comes back within this span continues its episode: the grower
/// has one thread about one trouble, not two. Own default.
const SAME_EPISODE: TimeDelta = TimeDelta::minutes(30);
/// From the third coming in [`CHATTER_SPAN`] it must be quiet for as long before
/// it may return, so that it cannot chatter. Own default, after the published
/// definition of a chattering alarm (three activations in a minute).
const CHATTER_COUNT: usize = 3;
const CHATTER_SPAN: TimeDelta = TimeDelta::minutes(30);
/// A return that nobody acknowledged is taken as seen after this span.
const SEEN_AFTER: TimeDelta = TimeDelta::days(7);
/// Harm that is there already, or nearer than anybody can come, is raised when it has stood
/// for so long. Own default.
const PRESSING_HOLD: TimeDelta = TimeDelta::minutes(5);
/// No shelf without an end, and none longer than a day.
pub(crate) const LONGEST_SHELF: TimeDelta = TimeDelta::hours(24);

/// How long a condition must hold and be gone.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Hold {
    /// How long a condition must hold before it is an alarm.
    pub on: TimeDelta,
    /// How long it must have been gone before the alarm has returned.
    pub off: TimeDelta,
    /// On-delay while harm is nearer than anybody can come.
    pub pressing: TimeDelta,
}

impl Hold {
    /// The usual one: what presses is raised when it has stood for five minutes at most.
    pub fn of(on: TimeDelta, off: TimeDelta) -> Hold {
        Hold { on, off, pressing: on.min(PRESSING_HOLD) }
    }
}

/// What an alarm just did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transition {
    /// A new episode.
    Raised,
    /// The same episode came back.
    CameBack,
    /// More urgent than it was.
    Escalated,
    /// Its condition no longer holds, the off-delay included.
    Returned,
    /// Somebody has seen it.
    Acknowledged,
    /// Silenced, or brought back, by a person.
    Shelf,
}

/// One alarm. `active` and `unacknowledged` are two memories; the named state is
/// derived from them and never stored.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Alarm {
    key: AlarmKey,
    active: bool,
    unacknowledged: bool,
    shelved_until: Option<Timestamp>,
    out_of_service: Option<String>,
    by: Option<String>,
    answered_at: Option<Timestamp>,
    /// Holds, but not yet for the on-delay.
    pending: Option<Pending>,
    /// Gone, but not yet for the off-delay: since when.
    clearing_since: Option<Timestamp>,
    since: Timestamp,
    raised_at: Timestamp,
    returned_at: Option<Timestamp>,
    comings: Vec<Timestamp>,
    times: u32,
    priority: Priority,
    /// A round letter told it; the people it told are in the room until then.
    escalate_not_before: Option<Timestamp>,
    /// Whom it told may come as late as this.
    awaited_until: Option<Timestamp>,
    /// A letter of this conversation said that hands are needed, with this early time.
    told_early: Option<Timestamp>,
    /// Letters told it, in whatever episode: who comes into the room then knows of it for so long.
    told_for: Option<TimeDelta>,
    /// Until when those who were in the room know of it.
    known_until: Option<Timestamp>,
    /// Whether its call was right, as somebody saw it.
    grade: Option<Grade>,
    /// A letter or the digest said that it is over: what comes after is new.
    over_told: bool,
    harm: Option<Harm>,
    evidence: Option<Evidence>,
    /// What ended it gave no numbers.
    numbers_are_past: bool,
    hold: Hold,
    /// The grower's own chance for this kind, instead of the site's.
    wake_if: Option<f64>,
}

impl Alarm {
    /// An alarm that is normal. `wake_if`: instead of the site's, 0 to 1.
    pub fn new(key: AlarmKey, hold: Hold, wake_if: Option<f64>) -> Self {
        Alarm {
            key,
            active: false,
            unacknowledged: false,
            shelved_until: None,
            out_of_service: None,
            by: None,
            answered_at: None,
            pending: None,
            clearing_since: None,
            since: Timestamp::UNIX_EPOCH,
            raised_at: Timestamp::UNIX_EPOCH,
            returned_at: None,
            comings: Vec::new(),
            times: 0,
            priority: Priority::Digest,
            escalate_not_before: None,
            awaited_until: None,
            told_early: None,
            told_for: None,
            known_until: None,
            grade: None,
            over_told: false,
            harm: None,
            evidence: None,
            numbers_are_past: false,
            hold,
            wake_if,
        }
    }

    /// Which alarm it is, by kind and subject.
    pub fn key(&self) -> &AlarmKey {
        &self.key
    }

    /// The named state.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service.is_some() {
            AlarmState::OutOfService
        } else if self.shelved_until.is_some() {
            AlarmState::Shelved
        } else {
            match (self.active, self.unacknowledged) {
                (true, true) => AlarmState::Unacknowledged,
                (true, false) => AlarmState::Acknowledged,
                (false, true) => AlarmState::ReturnedUnacknowledged,
                (false, false) => AlarmState::Normal,
            }
        }
    }

    /// The condition holds and was raised.
    pub(crate) fn is_active(&self) -> bool {
        self.active
    }

    /// The condition holds or has held too briefly to say so; watches use it to
    /// choose between limit and limit with deadband.
    pub(crate) fn is_held(&self) -> bool {
        self.active || self.pending.is_some()
    }

    /// How urgent it is.
    pub fn priority(&self) -> Priority {
        self.priority
    }

    /// When this episode was raised.
    pub fn raised_at(&self) -> Timestamp {
        self.raised_at
    }

    /// How long the condition must hold and be gone from now on.
    pub(crate) fn set_hold(&mut self, hold: Hold) {
        self.hold = hold;
    }

    /// Takes in what a watch sees.
    pub(crate) fn observe(&mut self, moment: &Moment, condition: Condition) -> Option<Transition> {
        let moment = &self.own(moment);
        let evidence = match condition {
            Condition::Present { harm, evidence } => {
                self.clearing_since = None;
                self.harm = harm;
                let before = self.evidence.replace(evidence);
                self.numbers_are_past = false;
                if self.active && self.has_another_cause_than(before) {
                    self.returned_at = None;
                    return Some(self.raise(moment));
                }
                return if self.active { self.reconsider(moment) } else { self.settle(moment) };
            }
            Condition::Unknown => {
                // A return needs evidence; it starts again when there is some. A delay waits.
                self.freeze_pending(moment.at);
                self.clearing_since = None;
                // What was told as waiting may become due while nobody can tell.
                return if self.active { self.reconsider(moment) } else { None };
            }
            Condition::Absent => None,
            Condition::Gone { evidence } => Some(evidence),
        };
        self.pending = None;
        if !self.active {
            return None;
        }
        self.numbers_are_past = evidence.is_none();
        self.evidence = evidence.or(self.evidence.take());
        let since = *self.clearing_since.get_or_insert(moment.at);
        (moment.at >= since + self.off_delay(since)).then(|| self.clear(moment.at))
    }

    fn has_another_cause_than(&self, before: Option<Evidence>) -> bool {
        match (&self.evidence, before) {
            (Some(now), Some(before)) => now.is_another_cause(&before),
            _ => false,
        }
    }

    /// A condition that holds and was not raised yet.
    fn settle(&mut self, moment: &Moment) -> Option<Transition> {
        let at = moment.at;
        let settles_in = if moment.is_pressing(self.harm) { self.hold.pressing } else { self.hold.on };
        let pending = match self.pending.take() {
            Some(pending) if pending.goes_on(at) => pending.seen(at, settles_in),
            _ => Pending::begins(at, settles_in),
        };
        self.pending = Some(pending);
        pending.due_at().is_some_and(|due| due <= at).then(|| self.raise(moment))
    }

    fn freeze_pending(&mut self, at: Timestamp) {
        if let Some(pending) = &mut self.pending {
            pending.freeze(at);
        }
    }

    /// Fires what is due at `moment.at`, one thing at a time.
    pub(crate) fn on_deadline(&mut self, moment: &Moment) -> Option<Transition> {
        let moment = &self.own(moment);
        if self.shelved_until.is_some_and(|until| until <= moment.at) {
            self.shelved_until = None;
            self.by = None;
            if self.active {
                self.unacknowledged = true;
            }
            return Some(Transition::Shelf);
        }
        if self.pending.and_then(|pending| pending.due_at()).is_some_and(|due| due <= moment.at) {
            return Some(self.raise(moment));
        }
        if self.clearing_since.is_some_and(|since| since + self.off_delay(since) <= moment.at) {
            return Some(self.clear(moment.at));
        }
        if self.seen_at().is_some_and(|seen| seen <= moment.at) {
            self.unacknowledged = false;
            return Some(Transition::Acknowledged);
        }
        None
    }

    /// When to call [`Alarm::on_deadline`] next.
    pub fn deadline(&self) -> Option<Timestamp> {
        [
            self.shelved_until,
            self.pending.and_then(|pending| pending.due_at()),
            self.clearing_since.map(|since| since + self.off_delay(since)),
            self.seen_at(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Nobody watched since `at`: what was pending waits until it is seen again, and a return
    /// begins anew.
    pub fn interrupt(&mut self, at: Timestamp) {
        self.freeze_pending(at);
        self.clearing_since = None;
    }

    /// People were told that it is over.
    pub(crate) fn told_over(&mut self) {
        self.over_told = !self.active;
    }

    /// When harm may begin.
    pub fn harm(&self) -> Option<Harm> {
        self.harm
    }

    /// The alarm as a value for the store, the letters and the terminal.
    pub fn change(&self, moment: &Moment, before: AlarmState) -> Option<AlarmChange> {
        Some(AlarmChange {
            at: moment.at,
            key: self.key.clone(),
            since: match self.pending {
                // It was never raised, or not since the last time.
                Some(pending) if !self.active => pending.since(),
                _ if self.times == 0 => moment.at,
                _ => self.since,
            },
            state: self.state(),
            before,
            priority: self.priority,
            harm: self.harm,
            chance: if self.active { moment.chance(self.harm) } else { 0.0 },
            times: self.times,
            next_round: moment.next_round,
            evidence: self.evidence.clone()?,
            numbers_are_past: self.numbers_are_past,
            easing: self.active && self.clearing_since.is_some(),
            by: self.by.clone(),
            answered_at: self.answered_at,
            returned_at: self.returned_at,
            grade: self.grade,
        })
    }

    /// The alarm as a value where nothing changed just now: listed, or written about.
    pub(crate) fn as_it_stands(&self, moment: &Moment) -> Option<AlarmChange> {
        self.change(moment, AlarmState::Normal)
    }

    fn raise(&mut self, moment: &Moment) -> Transition {
        let since = self.pending.take().map_or(moment.at, |pending| pending.since());
        // What comes after an "over" is new, and nobody has seen it.
        let continues = !self.over_told && self.returned_at.is_some_and(|returned| since - returned <= SAME_EPISODE);
        self.active = true;
        self.over_told = false;
        self.clearing_since = None;
        self.comings.retain(|coming| moment.at - *coming <= CHATTER_SPAN);
        self.comings.push(moment.at);
        let before = self.priority;
        self.priority = self.asked_or_called(moment);
        if continues {
            self.times += 1;
            if self.unacknowledged {
                self.by = None;
                self.answered_at = None;
            }
            self.priority = self.priority.min(before);
            // Somebody who has said "I have seen it" need not say it again in the same episode.
            Transition::CameBack
        } else {
            self.since = since;
            self.raised_at = moment.at;
            self.times = 1;
            self.unacknowledged = true;
            self.by = None;
            self.answered_at = None;
            self.escalate_not_before = None;
            self.awaited_until = None;
            self.told_early = None;
            self.grade = None;
            Transition::Raised
        }
    }

    fn clear(&mut self, at: Timestamp) -> Transition {
        self.active = false;
        self.clearing_since = None;
        self.returned_at = Some(at);
        self.escalate_not_before = None;
        self.awaited_until = None;
        Transition::Returned
    }

    fn off_delay(&self, at: Timestamp) -> TimeDelta {
        let recent = self.comings.iter().filter(|coming| at - **coming <= CHATTER_SPAN).count();
        if recent >= CHATTER_COUNT { self.hold.off.max(CHATTER_SPAN) } else { self.hold.off }
    }

    fn seen_at(&self) -> Option<Timestamp> {
        let returned = self.returned_at?;
        (!self.active && self.unacknowledged).then(|| returned + SEEN_AFTER)
    }
}

#[cfg(test)]
mod tests;
