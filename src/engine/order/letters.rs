//! When letters are made out: calls, for the night, before a round, when it is over, and the
//! daily digest. Their words are the notify shell's.

use crate::alarm::cycle::Alarm;
use crate::alarm::waking::Moment;
use crate::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, REPORTED_IN_THE_DIGEST};
use crate::event::Effect;
use crate::letters::conversation::{Draft, Need};
use crate::letters::facts::{LetterFacts, LetterKind};
use crate::letters::situation;
use crate::letters::situation::{Occasion, Situation};
use crate::order::Engine;
use crate::units::Timestamp;
use crate::watch::growing::ROUND_LASTS;
use alloc::boxed::Box;
use alloc::format;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A round letter that would come within this of a digest brings only what is new since. Own default.
const DIGEST_TELLS_FOR: TimeDelta = TimeDelta::hours(1);

impl Engine {
    /// Letters of the conversation whose time has come.
    pub(super) fn write_what_is_due(&mut self, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        loop {
            let alarms = &self.alarms;
            let holds = |key: &AlarmKey| {
                !alarms.is_consequence(key) && alarms.get(key).is_some_and(|alarm| alarm.is_worth_a_call(&moment))
            };
            let Some(draft) = self.letters.take_due(self.now, self.next_digest, holds) else { return };
            self.write(draft, effects);
        }
    }

    /// A letter names everything that is open, what it brings before what was told.
    fn write(&mut self, draft: Draft, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let over = draft.kind == LetterKind::Over;
        let open = self.alarms.iter().filter(|alarm| !over && self.is_open(alarm, &moment));
        let beside = open.map(|alarm| (Occasion::Waiting, alarm.key().clone()));
        let mut keys: Vec<(Occasion, AlarmKey)> = draft.about;
        let news = keys.len();
        for (occasion, key) in beside {
            if !keys[..news].iter().any(|(_, reported)| *reported == key) {
                keys.push((occasion, key));
            }
        }
        let mut alarms = Vec::new();
        for (occasion, key) in keys {
            let Some(alarm) = self.alarms.get_mut(&key) else { continue };
            let Some(change) = alarm.as_it_stands(&moment) else { continue };
            match draft.kind {
                LetterKind::Over => alarm.told_over(),
                LetterKind::Evening => alarm.reported(),
                LetterKind::Round => alarm.waits_for_people(self.next_round + ROUND_LASTS),
                LetterKind::Alarm | LetterKind::Digest => {}
            }
            if !over {
                alarm.named();
            }
            if let Some((_, asked_at)) = draft.calls.iter().find(|(called, _)| *called == key) {
                alarm.called();
                self.account.called(*asked_at, &key);
            }
            alarms.push((occasion, change));
        }
        if alarms.is_empty() {
            return;
        }
        let no_longer = self.no_longer(&alarms, &moment);
        let mut situations = situation::grouped(&self.rules, alarms);
        for situation in &mut situations {
            self.beside_what_was_written(situation);
        }
        effects.push(Effect::Letter(LetterFacts {
            id: draft.id,
            at: self.now,
            kind: draft.kind,
            answers: draft.answers,
            situations,
            no_longer,
            digest: None,
        }));
    }

    /// Alarms of a situation as the last letter had them, where it was the same episode.
    pub(super) fn as_written(&self, situation: &Situation) -> Vec<AlarmChange> {
        let before = |change: &AlarmChange| {
            self.written.get(&change.key).filter(|reported| reported.since == change.since).cloned()
        };
        situation.alarms.iter().filter_map(before).collect()
    }

    /// Notes how this letter has each alarm of a situation, and how the last one had it.
    fn beside_what_was_written(&mut self, situation: &mut Situation) {
        situation.reported = self.as_written(situation);
        for change in &situation.alarms {
            if situation.is_over() {
                self.written.remove(&change.key);
                self.named.remove(&change.key);
            } else {
                self.written.insert(change.key.clone(), change.clone());
                self.named.insert(change.key.clone());
            }
        }
    }

    /// What the letters since the digest have named as open and this one does not name; who reads it
    /// must not think that it was forgotten.
    fn no_longer(&mut self, named: &[(Occasion, AlarmChange)], moment: &Moment) -> Vec<AlarmChange> {
        let left_out = |key: &&AlarmKey| !named.iter().any(|(_, change)| change.key == **key);
        let keys: Vec<AlarmKey> = self.named.iter().filter(left_out).cloned().collect();
        let mut no_longer = Vec::new();
        for key in keys {
            let stands_as_another = self.alarms.is_consequence(&key);
            let Some(alarm) = self.alarms.get_mut(&key) else { continue };
            let Some(change) = alarm.as_it_stands(moment) else { continue };
            if !alarm.is_active() {
                alarm.told_over();
                self.written.remove(&key);
                self.named.remove(&key);
            }
            if !stands_as_another {
                no_longer.push(change);
            }
        }
        no_longer
    }

    /// It holds, is not silenced, is no mere face of another, and harm of it is in sight.
    fn is_open(&self, alarm: &Alarm, moment: &Moment) -> bool {
        alarm.is_active()
            && !matches!(alarm.state(), AlarmState::Shelved | AlarmState::OutOfService)
            && alarm.key().kind != AlarmKind::MailFailing
            && !self.alarms.is_consequence(alarm.key())
            && alarm.is_of_concern(moment)
    }

    /// Before people sleep: what will need hands before the morning, and what cannot be
    /// watched in the night.
    pub(super) fn write_for_the_night(&mut self, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let keys: Vec<(AlarmKey, Option<Timestamp>)> = self
            .alarms
            .iter()
            .filter(|alarm| self.is_open(alarm, &moment) || (alarm.is_active() && alarm.hides_the_night()))
            .filter(|alarm| !matches!(alarm.state(), AlarmState::Shelved | AlarmState::OutOfService))
            .filter(|alarm| alarm.needs_hands(&moment) || alarm.hides_the_night())
            .map(|alarm| (alarm.key().clone(), alarm.harm().map(|harm| harm.early)))
            .collect();
        let needs = self.needs(&keys);
        if let Some(draft) = self.letters.evening(self.now, needs) {
            self.write(draft, effects);
        }
    }

    pub(super) fn write_before_round(&mut self, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        // What the digest has just told, with what to do, needs no second letter.
        let digest_just_now = self.now - self.digest_from <= DIGEST_TELLS_FOR;
        let told = |alarm: &Alarm| digest_just_now && alarm.raised_at() <= self.digest_from;
        let waits = |alarm: &&Alarm| {
            alarm.state() == AlarmState::Unacknowledged && self.is_open(alarm, &moment) && !told(alarm)
        };
        let keys: Vec<(AlarmKey, Option<Timestamp>)> = self
            .alarms
            .iter()
            .filter(waits)
            .map(|alarm| (alarm.key().clone(), alarm.harm().map(|harm| harm.early)))
            .collect();
        let needs = self.needs(&keys);
        if let Some(draft) = self.letters.before_round(self.now, needs) {
            self.write(draft, effects);
        }
    }

    fn needs<'k>(&self, keys: &'k [(AlarmKey, Option<Timestamp>)]) -> Vec<Need<'k>> {
        keys.iter()
            .map(|(key, early)| Need { key, cause: situation::cause_of(&self.rules, key), early: *early })
            .collect()
    }

    pub(super) fn write_digest(&mut self, late: bool, effects: &mut Vec<Effect>) {
        let facts = self.digest_facts(late);
        let id = format!("digest-{}", facts.date);
        // It has told what is over since, and how the rest stands now.
        self.written.clear();
        self.named.clear();
        for change in facts.standing.iter().flat_map(|situation| &situation.alarms) {
            if let Some(alarm) = self.alarms.get_mut(&change.key) {
                alarm.named();
            }
            self.written.insert(change.key.clone(), change.clone());
        }
        self.begin_day();
        effects.push(Effect::Letter(LetterFacts {
            id,
            at: self.now,
            kind: LetterKind::Digest,
            answers: None,
            situations: Vec::new(),
            no_longer: Vec::new(),
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
            .filter(|alarm| alarm.state() == AlarmState::ReturnedUnacknowledged && !self.letters.names(alarm.key()))
            .map(|alarm| alarm.key().clone())
            .collect();
        for key in reported {
            if let Some(transition) =
                self.alarms.get_mut(&key).and_then(|alarm| alarm.acknowledge(at, REPORTED_IN_THE_DIGEST))
            {
                self.follow(&key, AlarmState::ReturnedUnacknowledged, transition, effects);
            }
            if let Some(alarm) = self.alarms.get_mut(&key) {
                alarm.told_over();
            }
        }
    }

    pub(super) fn standing(&self, which: impl Fn(&Alarm) -> bool) -> Vec<AlarmChange> {
        let moment = self.moment();
        let mut standing: Vec<AlarmChange> = self
            .alarms
            .iter()
            .filter(|alarm| which(alarm) && !self.alarms.is_consequence(alarm.key()))
            .filter_map(|alarm| alarm.as_it_stands(&moment))
            .collect();
        standing.sort_by_key(|change| (change.priority, change.harm.map(|harm| harm.early), change.since));
        standing
    }
}
