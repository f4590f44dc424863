//! What conditions, time and people make of alarms, and what follows from it: which alarm
//! speaks, which letter is owed, what the digest will name.

use crate::alarm::cycle::{Alarm, Hold, LONGEST_SHELF, Transition};
use crate::alarm::{AlarmKey, AlarmKind, AlarmState, Condition, Priority, table};
use crate::event::{Command, CommandRefusal, Effect, Occasion};
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
            Command::Acknowledge { by, .. } => alarm.acknowledge(moment.at, &by),
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

    /// Lets every alarm whose time has come move on.
    pub(super) fn fire_alarms(&mut self, effects: &mut Vec<Effect>) {
        let due: Vec<AlarmKey> = self
            .alarms
            .iter()
            .filter(|alarm| alarm.deadline().is_some_and(|due| due <= self.now))
            .map(|alarm| alarm.key.clone())
            .collect();
        let moment = self.moment();
        for key in due {
            while let Some((before, transition)) = self.alarms.get_mut(&key).and_then(|alarm| {
                let before = alarm.state();
                alarm.on_deadline(moment).map(|transition| (before, transition))
            }) {
                self.follow(&key, before, transition, effects);
            }
        }
    }

    /// Hands a condition to its alarm, and follows what that makes of it.
    pub(super) fn observe(&mut self, kind: AlarmKind, subject: &str, condition: Condition, effects: &mut Vec<Effect>) {
        let moment = self.moment();
        if self.alarms.find(kind, subject).is_none() {
            if !matches!(condition, Condition::Present { .. }) {
                return;
            }
            let tuning = self.rules.alarms.get(&kind).copied().unwrap_or_default();
            if tuning.disabled {
                return;
            }
            let row = table::row(kind);
            let hold =
                Hold { on: tuning.on_delay.unwrap_or(row.on_delay), off: tuning.off_delay.unwrap_or(row.off_delay) };
            self.alarms.insert(Alarm::new(AlarmKey { kind, subject: subject.to_owned() }, hold));
        }
        let Some(alarm) = self.alarms.find_mut(kind, subject) else {
            return;
        };
        let before = alarm.state();
        if let Some(transition) = alarm.observe(moment, condition) {
            let key = alarm.key.clone();
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
        let Some(change) = alarm.change(moment, before) else {
            return;
        };
        let speaks = !matches!(change.state, AlarmState::Shelved | AlarmState::OutOfService);
        let speaks = speaks && !self.reported_by_its_cause(key);
        let urgent = change.priority == Priority::Now && alarm.is_active() && speaks;
        match transition {
            Transition::Raised => {
                self.letters.new_episode(key);
                if key.kind == AlarmKind::ReservoirEmpty {
                    // Its cause has been told; "low" beside "empty" is noise.
                    let low = AlarmKey { kind: AlarmKind::ReservoirLow, subject: key.subject.clone() };
                    self.letters.answered(&low);
                }
                if urgent {
                    self.letters.raise(self.now, key, Occasion::Raised);
                }
            }
            Transition::CameBack if urgent && change.state == AlarmState::Unacknowledged => {
                self.letters.came_back(self.now, key);
            }
            Transition::Escalated if urgent => {
                let occasion = if self.letters.has_thread(key) { Occasion::Escalated } else { Occasion::Raised };
                self.letters.raise(self.now, key, occasion);
            }
            Transition::Returned if speaks => self.letters.returned(self.now, key),
            Transition::Acknowledged => self.letters.answered(key),
            Transition::Shelf if urgent => self.letters.raise(self.now, key, Occasion::Raised),
            Transition::Shelf => self.letters.answered(key),
            Transition::CameBack | Transition::Escalated | Transition::Returned => {}
        }
        if matches!(transition, Transition::Raised | Transition::CameBack | Transition::Escalated) {
            self.raised_today.insert(key.clone(), change.clone());
        } else if let Some(today) = self.raised_today.get_mut(key) {
            *today = change.clone();
        }
        effects.push(Effect::Alarm(change));
    }
}
