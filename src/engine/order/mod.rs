//! The order in which things happen: events come in, deadlines fire at their own times, a
//! minute is judged, alarms and letters follow (`alarms`, `letters`). What an event changes is in
//! `taken`, what one may ask in `asked`.
//!
//! Once a minute of its own time the engine judges everything it watches; between
//! minutes it only takes readings in. A tick therefore makes nothing different, and
//! [`Engine::handle`] lets every deadline up to an event pass first, each at its own time.

/// What the watches may look at, without taking hold of the watches themselves.
macro_rules! seen {
    ($engine:expr, $rules:expr) => {
        Seen {
            rules: $rules,
            at: $engine.now,
            round_at: $engine.last_round,
            asleep_since: $engine.asleep_since,
            judges: &$engine.judges,
            minutes: &$engine.minutes,
            trays: &$engine.trays,
            alarms: &$engine.alarms,
        }
    };
}

mod alarms;
mod asked;
mod letters;
mod taken;

use crate::alarm::account::Account;
use crate::alarm::cycle::Alarm;
use crate::alarm::register::Register;
use crate::alarm::waking::{AS_GOOD_AS_SURE, Moment};
use crate::alarm::{AlarmChange, AlarmKey, AlarmKind, Condition, Evidence};
use crate::calendar;
use crate::event::{Effect, Event, What};
use crate::letters::conversation::Conversation;
use crate::quality::judge::Judge;
use crate::quality::window::Minutes;
use crate::reading::ChannelId;
use crate::rules::Rules;
use crate::units::Timestamp;
use crate::watch::Watches;
use crate::watch::growing::ROUND_LASTS;
use crate::watch::seen::{Seen, Subject};
use crate::watch::trays::Trays;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::sync::Arc;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Everything known, as a fold over events.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Engine {
    rules: Arc<Rules>,
    now: Timestamp,
    wake_at: Timestamp,
    next_minute: Timestamp,
    next_digest: Timestamp,
    next_round_letter: Timestamp,
    last_round: Timestamp,
    next_round: Timestamp,
    round_after: Timestamp,
    next_evening: Option<Timestamp>,
    asleep_since: Option<Timestamp>,
    digest_from: Timestamp,
    judges: Vec<Judge>,
    minutes: Vec<Minutes>,
    trays: Trays,
    watches: Watches,
    alarms: Register,
    letters: Conversation,
    account: Account,
    /// Every alarm as the last letter that named it had it, until one has told that it is over.
    written: BTreeMap<AlarmKey, AlarmChange>,
    /// What letters have named as open since the last digest, which named all there was.
    named: BTreeSet<AlarmKey>,
    raised_today: BTreeMap<AlarmKey, AlarmChange>,
}

impl Engine {
    /// An engine that knows nothing yet and begins at `at`.
    pub fn new(rules: Arc<Rules>, at: Timestamp) -> Self {
        let channels = (0..rules.channels.len()).map(|index| ChannelId(index as u16));
        let zone = rules.site.time_zone;
        let mut engine = Engine {
            now: at,
            wake_at: at,
            next_minute: next_minute(at),
            next_digest: calendar::next_local(zone, rules.site.digest_at, at),
            last_round: calendar::last_round(&rules.site, at),
            next_round: calendar::next_round(&rules.site, at),
            round_after: at,
            next_evening: calendar::next_evening(&rules.site, at),
            asleep_since: calendar::asleep_since(&rules.site, at),
            next_round_letter: at,
            digest_from: at,
            judges: channels.clone().map(|channel| Judge::new(&rules, channel)).collect(),
            minutes: channels.map(|channel| Minutes::new(&rules, channel)).collect(),
            trays: Trays::default(),
            watches: Watches::new(&rules, at),
            alarms: Register::default(),
            letters: Conversation::default(),
            account: Account::default(),
            written: BTreeMap::new(),
            named: BTreeSet::new(),
            raised_today: BTreeMap::new(),
            rules,
        };
        engine.next_round_letter = engine.round_letter_after(at);
        engine.round_after = calendar::next_round(&engine.rules.site, engine.next_round);
        engine.set_wake();
        engine
    }

    /// The same engine where it obeys just these rules; what was seen under others is of no use.
    pub fn under(self, rules: &Arc<Rules>) -> Option<Engine> {
        (*self.rules == **rules).then(|| Engine { rules: Arc::clone(rules), ..self })
    }

    /// Fires every deadline up to `event.at`, each at its own time, then takes the event in.
    pub fn handle(&mut self, event: Event) -> Vec<Effect> {
        let mut effects = Vec::new();
        match event.what {
            What::Started => {
                self.unwatched(event.at);
                // Whether it can be written is found out anew.
                self.watches.site.store = None;
                self.begin_again(event.at, &mut effects);
            }
            What::ClockStepped { by } => {
                self.begin_again(event.at.max(self.now), &mut effects);
                self.clock_stepped(by, &mut effects);
            }
            what => {
                while self.wake_at <= event.at {
                    let due = self.wake_at;
                    self.fire(due, &mut effects);
                    self.set_wake();
                }
                self.now = self.now.max(event.at);
                self.take(what, &mut effects);
            }
        }
        effects
    }

    fn fire(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        self.now = at;
        if at >= self.next_round {
            self.round_begins(at);
        }
        if at >= self.next_minute {
            // Since when is looked up once a night.
            if self.asleep_since.is_none() || !calendar::sleeps(&self.rules.site, at) {
                self.asleep_since = calendar::asleep_since(&self.rules.site, at);
            }
            self.minute(effects);
            self.next_minute = next_minute(at);
        }
        self.fire_alarms(effects);
        self.write_what_is_due(effects);
        if self.next_evening.is_some_and(|due| due <= at) {
            self.write_for_the_night(effects);
            self.next_evening = calendar::next_evening(&self.rules.site, at);
        }
        if at >= self.next_round_letter {
            self.write_before_round(effects);
            self.next_round_letter = self.round_letter_after(at);
        }
        if at >= self.next_digest {
            self.write_digest(false, effects);
            self.next_digest = calendar::next_local(self.rules.site.time_zone, self.rules.site.digest_at, at);
        }
    }

    /// People are in the room: what is told after this is a new conversation.
    fn round_begins(&mut self, at: Timestamp) {
        self.last_round = calendar::last_round(&self.rules.site, at);
        self.next_round = calendar::next_round(&self.rules.site, at);
        self.round_after = calendar::next_round(&self.rules.site, self.next_round);
        self.letters.round_begins(at, at + ROUND_LASTS);
        for alarm in self.alarms.iter_mut() {
            alarm.round_begins(at + ROUND_LASTS);
        }
    }

    /// One minute: means, then every watch, then what they say to every alarm.
    fn minute(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let means: Vec<Option<f64>> = self.minutes.iter_mut().map(|minutes| minutes.end(at)).collect();
        let rules = Arc::clone(&self.rules);
        let judged = self.watches.minute(&seen!(self, &rules), &means);
        for found in judged {
            self.observe(found.kind, found.subject.id(&rules), found.condition, found.settling, effects);
        }
    }

    /// Nobody watched between the last event and `at`.
    fn unwatched(&mut self, at: Timestamp) {
        self.watches.site.unwatched += (at - self.now).max(TimeDelta::zero());
    }

    /// Time has passed without anybody watching, or was set: what was pending must show
    /// itself again, and the only thing that is made up for is the digest.
    fn begin_again(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let before = self.now;
        self.now = at.max(self.now);
        let at = self.now;
        for sensor in &mut self.watches.sensors {
            sensor.listen_from(at, at - before);
        }
        for alarm in self.alarms.iter_mut() {
            alarm.interrupt(before);
        }
        self.next_minute = next_minute(at);
        if at >= self.next_round || calendar::next_round(&self.rules.site, at) != self.next_round {
            self.round_begins(at);
        }
        self.next_evening = calendar::next_evening(&self.rules.site, at);
        self.asleep_since = calendar::asleep_since(&self.rules.site, at);
        self.next_round_letter = self.round_letter_after(at);
        if self.next_digest <= at {
            self.write_digest(true, effects);
            self.next_digest = calendar::next_local(self.rules.site.time_zone, self.rules.site.digest_at, at);
        }
        self.set_wake();
    }

    fn clock_stepped(&mut self, by: TimeDelta, effects: &mut Vec<Effect>) {
        if by.abs() < TimeDelta::minutes(5) {
            return;
        }
        let condition = Condition::Present { harm: None, evidence: Evidence::Clock { by } };
        let rules = Arc::clone(&self.rules);
        self.observe(AlarmKind::ClockStepped, Subject::Site.id(&rules), condition, None, effects);
        self.set_wake();
    }

    fn moment(&self) -> Moment {
        let site = &self.rules.site;
        let (next_round, round_after) = if self.now < self.next_round {
            (self.next_round, self.round_after)
        } else {
            (self.round_after, calendar::next_round(site, self.round_after))
        };
        Moment {
            at: self.now,
            next_round,
            round_after,
            evening_at: self.next_evening.filter(|evening| *evening < next_round),
            asleep: self.asleep_since.is_some(),
            wake_if: site.wake_if,
            call_if: site.wake_if,
            sure_from: AS_GOOD_AS_SURE,
            come_within: site.come_within,
        }
    }

    fn round_letter_after(&self, at: Timestamp) -> Timestamp {
        let before = self.rules.site.round_letter_before;
        calendar::next_round(&self.rules.site, at + before) - before
    }

    fn set_wake(&mut self) {
        let alarms = self.alarms.iter().filter_map(Alarm::deadline).min();
        let own = self.next_minute.min(self.next_digest).min(self.next_round_letter);
        self.wake_at =
            [alarms, self.letters.deadline(), self.next_evening].into_iter().flatten().fold(own, Timestamp::min);
    }
}

fn next_minute(at: Timestamp) -> Timestamp {
    let seconds = (at.timestamp().div_euclid(60) + 1) * 60;
    Timestamp::from_timestamp(seconds, 0).unwrap_or(at + TimeDelta::minutes(1))
}
