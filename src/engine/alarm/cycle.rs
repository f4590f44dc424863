//! The life cycle of one alarm. Every state that waits carries its own deadline;
//! nothing here asks the time.

use crate::alarm::change::AlarmChange;
use crate::alarm::evidence::{Condition, Evidence, Harm};
use crate::alarm::kinds::{AlarmKey, AlarmState, Priority};
use crate::alarm::waking;
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
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
/// No shelf without an end, and none longer than a day.
pub const LONGEST_SHELF: TimeDelta = TimeDelta::hours(24);

/// How long a condition must hold and be gone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// On-delay.
    pub on: TimeDelta,
    /// Off-delay.
    pub off: TimeDelta,
}

/// What the waking rule needs at this moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// The time of judging, UTC.
    pub at: Timestamp,
    /// The next round after it.
    pub next_round: Timestamp,
}

/// What changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transition {
    /// A new episode.
    Raised,
    /// The same episode came back.
    CameBack,
    /// More urgent than it was.
    Escalated,
    /// Gone.
    Returned,
    /// Somebody has seen it.
    Acknowledged,
    /// Silenced, or brought back, by a person.
    Shelf,
}

/// One alarm. `active` and `unacknowledged` are two memories; the named state is
/// derived from them and never stored.
#[derive(Clone, Debug)]
pub struct Alarm {
    /// The alarm that is answered, by kind and subject.
    pub key: AlarmKey,
    active: bool,
    unacknowledged: bool,
    shelved_until: Option<Timestamp>,
    out_of_service: Option<String>,
    by: Option<String>,
    answered_at: Option<Timestamp>,
    /// Holds, but not yet for the on-delay: since when.
    pending_since: Option<Timestamp>,
    /// Gone, but not yet for the off-delay: since when.
    clearing_since: Option<Timestamp>,
    since: Timestamp,
    raised_at: Timestamp,
    returned_at: Option<Timestamp>,
    comings: Vec<Timestamp>,
    times: u32,
    priority: Priority,
    /// A round letter told it; the people it told are in the room until then.
    pub escalate_not_before: Option<Timestamp>,
    harm: Option<Harm>,
    evidence: Option<Evidence>,
    hold: Hold,
}

impl Alarm {
    /// An alarm that is normal.
    pub fn new(key: AlarmKey, hold: Hold) -> Self {
        Alarm {
            key,
            active: false,
            unacknowledged: false,
            shelved_until: None,
            out_of_service: None,
            by: None,
            answered_at: None,
            pending_since: None,
            clearing_since: None,
            since: Timestamp::UNIX_EPOCH,
            raised_at: Timestamp::UNIX_EPOCH,
            returned_at: None,
            comings: Vec::new(),
            times: 0,
            priority: Priority::Digest,
            escalate_not_before: None,
            harm: None,
            evidence: None,
            hold,
        }
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
    pub fn is_active(&self) -> bool {
        self.active
    }

    /// The condition holds or has held too briefly to say so; watches use it to
    /// choose between limit and limit with deadband.
    pub fn is_held(&self) -> bool {
        self.active || self.pending_since.is_some()
    }

    /// How urgent it is.
    pub fn priority(&self) -> Priority {
        self.priority
    }

    /// When this episode was raised.
    pub fn raised_at(&self) -> Timestamp {
        self.raised_at
    }

    /// A shelf's end.
    pub fn shelved_until(&self) -> Option<Timestamp> {
        self.shelved_until
    }

    /// Takes in what a watch sees.
    pub fn observe(&mut self, moment: Moment, condition: Condition) -> Option<Transition> {
        match condition {
            Condition::Present { harm, evidence } => {
                self.clearing_since = None;
                self.harm = harm;
                self.evidence = Some(evidence);
                if self.active {
                    return self.reconsider(moment);
                }
                let since = *self.pending_since.get_or_insert(moment.at);
                if moment.at >= since + self.hold.on {
                    return Some(self.raise(moment));
                }
                None
            }
            Condition::Absent => {
                self.pending_since = None;
                if !self.active {
                    return None;
                }
                let since = *self.clearing_since.get_or_insert(moment.at);
                if moment.at >= since + self.off_delay(since) {
                    return Some(self.clear(moment.at));
                }
                None
            }
            Condition::Unknown => {
                // A hold or a return needs evidence; it starts again when there is some.
                self.pending_since = None;
                self.clearing_since = None;
                None
            }
        }
    }

    /// Fires what is due at `moment.at`, one thing at a time.
    pub fn on_deadline(&mut self, moment: Moment) -> Option<Transition> {
        if self.shelved_until.is_some_and(|until| until <= moment.at) {
            self.shelved_until = None;
            self.by = None;
            if self.active {
                self.unacknowledged = true;
            }
            return Some(Transition::Shelf);
        }
        if self.pending_since.is_some_and(|since| since + self.hold.on <= moment.at) {
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
            self.pending_since.map(|since| since + self.hold.on),
            self.clearing_since.map(|since| since + self.off_delay(since)),
            self.seen_at(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// "I have seen it." Says whether that changed anything.
    pub fn acknowledge(&mut self, at: Timestamp, by: &str) -> Option<Transition> {
        if !self.unacknowledged {
            return None;
        }
        self.unacknowledged = false;
        self.answered(at, by);
        Some(Transition::Acknowledged)
    }

    /// Silences it until a time. The caller has checked the time.
    pub fn shelve(&mut self, at: Timestamp, by: &str, until: Timestamp) -> Transition {
        self.shelved_until = Some(until);
        self.answered(at, by);
        Transition::Shelf
    }

    /// Brings it back.
    pub fn unshelve(&mut self, at: Timestamp, by: &str) -> Option<Transition> {
        if self.shelved_until.is_none() && self.out_of_service.is_none() {
            return None;
        }
        self.shelved_until = None;
        self.out_of_service = None;
        self.answered(at, by);
        Some(Transition::Shelf)
    }

    /// Takes it out of service.
    pub fn take_out(&mut self, at: Timestamp, by: &str, reason: &str) -> Transition {
        self.out_of_service = Some(reason.to_owned());
        self.answered(at, by);
        Transition::Shelf
    }

    fn answered(&mut self, at: Timestamp, by: &str) {
        self.by = Some(by.to_owned());
        self.answered_at = Some(at);
    }

    /// Nobody watched for a while: what was pending must show itself again.
    pub fn interrupt(&mut self) {
        self.pending_since = None;
        self.clearing_since = None;
    }

    /// The alarm as a value for the store, the letters and the terminal.
    pub fn change(&self, moment: Moment, before: AlarmState) -> Option<AlarmChange> {
        Some(AlarmChange {
            at: moment.at,
            key: self.key.clone(),
            since: self.since,
            state: self.state(),
            before,
            priority: self.priority,
            harm: self.harm,
            times: self.times,
            next_round: moment.next_round,
            evidence: self.evidence.clone()?,
            by: self.by.clone(),
            answered_at: self.answered_at,
        })
    }

    /// The alarm as a value where nothing changed just now: listed, or written about.
    pub fn as_it_stands(&self, moment: Moment) -> Option<AlarmChange> {
        self.change(moment, AlarmState::Normal)
    }

    fn raise(&mut self, moment: Moment) -> Transition {
        let since = self.pending_since.take().unwrap_or(moment.at);
        let continues = self.returned_at.is_some_and(|returned| since - returned <= SAME_EPISODE);
        self.active = true;
        self.by = None;
        self.answered_at = None;
        self.clearing_since = None;
        self.comings.retain(|coming| moment.at - *coming <= CHATTER_SPAN);
        self.comings.push(moment.at);
        self.priority = waking::priority(self.harm, moment.at, moment.next_round);
        if continues {
            self.times += 1;
            // Somebody who has said "I have seen it" need not say it again in the same episode.
            Transition::CameBack
        } else {
            self.since = since;
            self.raised_at = moment.at;
            self.times = 1;
            self.unacknowledged = true;
            self.escalate_not_before = None;
            Transition::Raised
        }
    }

    fn clear(&mut self, at: Timestamp) -> Transition {
        self.active = false;
        self.clearing_since = None;
        self.returned_at = Some(at);
        self.escalate_not_before = None;
        Transition::Returned
    }

    /// Only upwards within an episode: a hazard that was told as urgent is not
    /// taken back by a better minute, it is over when it is over.
    fn reconsider(&mut self, moment: Moment) -> Option<Transition> {
        if self.escalate_not_before.is_some_and(|until| moment.at < until) {
            return None;
        }
        let priority = waking::priority(self.harm, moment.at, moment.next_round);
        if priority < self.priority {
            self.priority = priority;
            // Whoever said "seen" said it of something that could wait.
            self.unacknowledged |= priority == Priority::Now;
            return Some(Transition::Escalated);
        }
        None
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
