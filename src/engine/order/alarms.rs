//! What conditions, time and people make of alarms, and what follows from it: which alarm
//! speaks, which letter is owed, what the digest will name.

use crate::alarm::cycle::{Alarm, Hold, LONGEST_SHELF, Transition};
use crate::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Condition, Priority, table};
use crate::event::{Command, CommandRefusal, Effect, Grade};
use crate::letters::conversation::{Asking, Need};
use crate::letters::situation;
use crate::order::Engine;
use alloc::borrow::ToOwned;
use alloc::vec::Vec;

impl Engine {
    /// Somebody answers an alarm.
    pub(super) fn command(&mut self, command: Command, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        let key = match &command {
            Command::Acknowledge { alarm, .. }
            | Command::Shelve { alarm, .. }
            | Command::Unshelve { alarm, .. }
            | Command::OutOfService { alarm, .. } => alarm.clone(),
        };
        let Some(alarm) = self.alarms.get_mut(&key) else {
            return effects.push(Effect::CommandRefused { why: CommandRefusal::NoSuchAlarm { alarm: key } });
        };
        let before = alarm.state();
        let transition = match command {
            Command::Acknowledge { by, grade, .. } => return self.acknowledge(&key, &by, grade, effects),
            Command::Shelve { by, until, .. } => {
                if until <= moment.at || until - moment.at > LONGEST_SHELF {
                    return effects.push(Effect::CommandRefused { why: CommandRefusal::ShelfEnd });
                }
                Some(alarm.shelve(moment.at, &by, until))
            }
            Command::Unshelve { by, .. } => alarm.unshelve(moment.at, &by),
            Command::OutOfService { by, reason, .. } => Some(alarm.take_out(moment.at, &by, &reason)),
        };
        match transition {
            Some(transition) => self.follow(&key, before, transition, effects),
            None => {
                let why = CommandRefusal::AlreadySo { alarm: key, state: before };
                effects.push(Effect::CommandRefused { why });
            }
        }
    }

    /// "I have seen it": of one alarm, and with it of everything that stood in its letters.
    fn acknowledge(&mut self, key: &AlarmKey, by: &str, grade: Option<Grade>, effects: &mut Vec<Effect>) {
        let at = self.now;
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let before = alarm.state();
        let graded = alarm.grade(at, by, grade);
        let seen = alarm.acknowledge(at, by);
        if let (Some(grade), true) = (grade, graded) {
            self.account.graded(at, key, grade);
        }
        match seen {
            Some(transition) => {
                self.account.answered(at, key);
                self.follow(key, before, transition, effects);
            }
            None if !graded && self.alarms.get(key).is_some_and(|alarm| alarm.was_just_answered(at, by)) => {}
            None if !graded => {
                let why = CommandRefusal::AlreadySo { alarm: key.clone(), state: before };
                return effects.push(Effect::CommandRefused { why });
            }
            None => {}
        }
        for other in self.letters.answered(key) {
            let Some(alarm) = self.alarms.get_mut(&other) else { continue };
            let before = alarm.state();
            if let Some(transition) = alarm.acknowledge(at, by) {
                self.account.answered(at, &other);
                self.follow(&other, before, transition, effects);
            }
        }
    }

    /// Lets every alarm whose time has come move on.
    pub(super) fn fire_alarms(&mut self, effects: &mut Vec<Effect>) {
        let due: Vec<AlarmKey> = self
            .alarms
            .iter()
            .filter(|alarm| alarm.deadline().is_some_and(|due| due <= self.now))
            .map(|alarm| alarm.key().clone())
            .collect();
        let moment = self.moment();
        for key in due {
            while let Some((before, transition)) = self.alarms.get_mut(&key).and_then(|alarm| {
                let before = alarm.state();
                alarm.on_deadline(&moment).map(|transition| (before, transition))
            }) {
                self.follow(&key, before, transition, effects);
            }
        }
    }

    /// Hands a condition to its alarm, and follows what that makes of it. `settling`: how long
    /// such conditions usually last by themselves, where that was learnt.
    pub(super) fn observe(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        condition: Condition,
        settling: Option<Hold>,
        effects: &mut Vec<Effect>,
    ) {
        // A healthy minute asks after dozens of alarms that do not exist.
        if !matches!(condition, Condition::Present { .. }) && self.alarms.find(kind, subject).is_none() {
            return;
        }
        let moment = self.moment();
        let tuning = self.rules.alarms.get(&kind).copied().unwrap_or_default();
        let hold = || {
            let row = table::row(kind);
            let usual = settling.unwrap_or(Hold::of(row.on_delay, row.off_delay));
            let off = tuning.off_delay.unwrap_or(usual.off);
            // A delay that the grower asks for is kept, whatever presses.
            tuning.on_delay.map_or(Hold { off, ..usual }, |on| Hold { on, off, pressing: on })
        };
        if self.alarms.find(kind, subject).is_none() {
            if tuning.disabled {
                return;
            }
            let key = AlarmKey { kind, subject: subject.to_owned() };
            self.alarms.insert(Alarm::new(key, hold(), tuning.wake_if));
        }
        let Some(alarm) = self.alarms.find_mut(kind, subject) else {
            return;
        };
        if settling.is_some() {
            alarm.set_hold(hold());
        }
        let before = alarm.state();
        if let Some(transition) = alarm.observe(&moment, condition) {
            let key = alarm.key().clone();
            self.follow(&key, before, transition, effects);
        }
    }

    /// What a transition means for the store, the lamp and the letters.
    pub(super) fn follow(
        &mut self,
        key: &AlarmKey,
        before: AlarmState,
        transition: Transition,
        effects: &mut Vec<Effect>,
    ) {
        let moment = self.moment();
        let Some(alarm) = self.alarms.get(key) else {
            return;
        };
        let Some(change) = alarm.change(&moment, before) else {
            return;
        };
        let speaks = !matches!(change.state, AlarmState::Shelved | AlarmState::OutOfService);
        let urgent = change.priority == Priority::Now && alarm.is_active() && speaks;
        let unseen = change.state == AlarmState::Unacknowledged;
        match transition {
            Transition::Raised => {
                self.letters.new_episode(key);
                if urgent {
                    self.call_for(key, &change);
                }
            }
            Transition::CameBack => {
                self.letters.came_back(key);
                if urgent && unseen && !self.letters.names(key) {
                    self.call_for(key, &change);
                }
            }
            Transition::Escalated if urgent => self.call_for(key, &change),
            Transition::Shelf if urgent => {
                // It speaks anew: who silenced it meant these hours, not all that come after.
                self.letters.new_episode(key);
                self.call_for(key, &change);
            }
            Transition::Shelf => self.letters.silenced(key),
            Transition::Returned if speaks => self.letters.returned(self.now, key),
            Transition::Acknowledged | Transition::Escalated | Transition::Returned => {}
        }
        // What ended is told too, though it was raised before the last digest, which had it as open.
        if !matches!(transition, Transition::Acknowledged | Transition::Shelf) {
            self.raised_today.insert(key.clone(), change.clone());
        } else if let Some(today) = self.raised_today.get_mut(key) {
            *today = change.clone();
        }
        effects.push(Effect::Alarm(change));
    }

    /// Asks for hands, unless a letter is that brings them in time.
    fn call_for(&mut self, key: &AlarmKey, change: &AlarmChange) {
        if key.kind == AlarmKind::MailFailing {
            // A letter cannot say that letters do not leave; the lamp and the digest do.
            return;
        }
        let cause = situation::cause_of(&self.rules, key);
        let early = change.harm.map(|harm| harm.early);
        match self.letters.needs_hands(self.now, Need { key, cause, early }) {
            // It counts once it is written: until then it may ease, and nobody was told.
            Asking::Call => return,
            Asking::EveningWasIt => self.account.called(self.now, key),
            Asking::Covered => {}
        }
        if let Some(alarm) = self.alarms.get_mut(key) {
            alarm.called();
        }
    }
}
