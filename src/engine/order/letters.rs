//! When letters are made out: for an alarm, before a round, and the daily digest.
//! Their words are the notify shell's.

use crate::alarm::cycle::Alarm;
use crate::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority, REPORTED_IN_THE_DIGEST};
use crate::event::{Effect, LetterFacts, LetterKind, Occasion};
use crate::letters::schedule::Draft;
use crate::order::Engine;
use crate::units::Timestamp;
use crate::watch::growing::ROUND_LASTS;
use alloc::boxed::Box;
use alloc::format;
use alloc::vec::Vec;

impl Engine {
    pub(super) fn write(&mut self, draft: Draft, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let mut alarms: Vec<(Occasion, AlarmChange)> = draft
            .about
            .iter()
            .filter_map(|(occasion, key)| {
                let alarm = self.alarms.get(key)?;
                Some((*occasion, alarm.as_it_stands(moment)?))
            })
            .collect();
        alarms.sort_by_key(|(occasion, change)| {
            (*occasion == Occasion::Returned, change.priority, change.harm.map(|harm| harm.early))
        });
        if alarms.is_empty() {
            return;
        }
        effects.push(Effect::Letter(LetterFacts {
            id: draft.id,
            at: self.now,
            kind: draft.kind,
            answers: draft.answers,
            alarms,
            digest: None,
        }));
    }

    pub(super) fn write_before_round(&mut self, effects: &mut Vec<Effect>) {
        let round = self.next_round;
        let standing: Vec<(AlarmKey, Timestamp, bool)> = self
            .alarms
            .iter()
            .filter(|alarm| alarm.is_active() && alarm.priority() != Priority::Digest)
            .filter(|alarm| !matches!(alarm.state(), AlarmState::Shelved | AlarmState::OutOfService))
            .filter(|alarm| !self.is_consequence(&alarm.key))
            .map(|alarm| {
                let waits = alarm.priority() == Priority::NextRound && alarm.state() == AlarmState::Unacknowledged;
                (alarm.key.clone(), alarm.raised_at(), waits)
            })
            .collect();
        let keys: Vec<AlarmKey> = standing.iter().map(|(key, ..)| key.clone()).collect();
        if let Some(draft) = self.letters.before_round(self.now, standing) {
            for key in keys {
                if let Some(alarm) = self.alarms.get_mut(&key) {
                    alarm.escalate_not_before = Some(round + ROUND_LASTS);
                }
            }
            self.write(draft, effects);
        }
    }

    pub(super) fn write_digest(&mut self, late: bool, effects: &mut Vec<Effect>) {
        let facts = self.digest_facts(late);
        let id = format!("digest-{}", facts.date);
        self.begin_day();
        effects.push(Effect::Letter(LetterFacts {
            id,
            at: self.now,
            kind: LetterKind::Digest,
            answers: None,
            alarms: Vec::new(),
            digest: Some(Box::new(facts)),
        }));
        self.reported_by_digest(effects);
    }

    fn begin_day(&mut self) {
        self.digest_from = self.now;
        self.raised_today.clear();
        self.watches.begin_day();
    }

    /// What was never urgent and is over has been told by the digest that lists it.
    pub(super) fn reported_by_digest(&mut self, effects: &mut Vec<Effect>) {
        let at = self.now;
        let reported: Vec<AlarmKey> = self
            .alarms
            .iter()
            .filter(|alarm| alarm.state() == AlarmState::ReturnedUnacknowledged && !self.letters.has_thread(&alarm.key))
            .map(|alarm| alarm.key.clone())
            .collect();
        for key in reported {
            if let Some(transition) =
                self.alarms.get_mut(&key).and_then(|alarm| alarm.acknowledge(at, REPORTED_IN_THE_DIGEST))
            {
                self.follow(&key, AlarmState::ReturnedUnacknowledged, transition, effects);
            }
        }
    }

    /// Damp air that somebody was written to about is the same trouble as the mold pressure
    /// it builds; a second letter in the same night would say nothing new to do.
    pub(super) fn reported_by_its_cause(&self, key: &AlarmKey) -> bool {
        let damp = AlarmKey { kind: AlarmKind::AirTooDamp, subject: key.subject.clone() };
        key.kind == AlarmKind::MoldPressure
            && self.letters.has_thread(&damp)
            && self.alarms.find(damp.kind, &damp.subject).is_some_and(Alarm::is_active)
    }

    /// Its cause stands as an alarm of its own: an empty tank is also a low one.
    pub(super) fn is_consequence(&self, key: &AlarmKey) -> bool {
        key.kind == AlarmKind::ReservoirLow
            && self.alarms.find(AlarmKind::ReservoirEmpty, &key.subject).is_some_and(Alarm::is_active)
    }

    pub(super) fn standing(&self, which: impl Fn(&Alarm) -> bool) -> Vec<AlarmChange> {
        let moment = self.moment();
        let mut standing: Vec<AlarmChange> = self
            .alarms
            .iter()
            .filter(|alarm| which(alarm) && !self.is_consequence(&alarm.key))
            .filter_map(|alarm| alarm.as_it_stands(moment))
            .collect();
        standing.sort_by_key(|change| (change.priority, change.harm.map(|harm| harm.early), change.since));
        standing
    }
}
