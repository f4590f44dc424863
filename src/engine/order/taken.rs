//! What an event changes at once: a reading, an entry, what became of broker, mail and store.

use super::Engine;
use crate::alarm::AlarmKind;
use crate::alarm::account::Call;
use crate::event::{Doubt, Effect, What};
use crate::journal::Entry;
use crate::reading::{ChannelId, Flag, RawReading};
use crate::refusal::{self, Garbled};
use crate::units::{Celsius, Timestamp};
use crate::watch::seen::Seen;
use crate::watch::trays::Logged;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// The warmth of the air is taken out of an echo by a temperature no older than this (or two
/// and a half intervals of that sensor): in half an hour a room changes by a degree or two,
/// less than a millimetre of 40 cm each. Own default.
const ECHO_AIR_KEEPS: TimeDelta = TimeDelta::minutes(30);

impl Engine {
    pub(super) fn take(&mut self, what: What, effects: &mut Vec<Effect>) {
        match what {
            // By far the commonest; it moves no deadline.
            What::Reading(raw) => return self.reading(raw, effects),
            What::NoValue(sensor) => self.watches.sensors[usize::from(sensor.0)].refused(self.now, refusal::NO_VALUE),
            What::Garbled { sensor: Some(sensor), reason } => {
                self.watches.sensors[usize::from(sensor.0)].refused(self.now, reason.word());
            }
            What::Garbled { sensor: None, reason: Garbled::OtherSite } => {
                self.watches.site.astray = self.watches.site.astray.saturating_add(1);
            }
            What::Garbled { sensor: None, .. } => self.watches.site.strays = self.watches.site.strays.saturating_add(1),
            What::Journal { number, entry } => self.journal(number, &entry, effects),
            What::Command(command) => self.command(command, effects),
            What::BrokerUp => {
                if let Some(lost) = self.watches.site.broker_lost_at.take() {
                    self.watches.site.unwatched += self.now - lost;
                    for sensor in &mut self.watches.sensors {
                        sensor.listen_from(self.now, self.now - lost);
                    }
                }
            }
            What::BrokerDown => {
                self.watches.site.broker_lost_at.get_or_insert(self.now);
            }
            What::SessionContested { times, client_id } => self.watches.site.contested = Some((times, client_id)),
            What::SessionSettled => self.watches.site.contested = None,
            What::SessionGivenUp { .. } => {
                self.watches.site.given_up = self.watches.site.given_up.saturating_add(1);
            }
            What::LetterSent { letter } => {
                self.watches.site.mail_waiting.remove(&letter);
                self.watches.site.mail_failing_since = None;
            }
            What::LetterFailed { letter, error } => {
                self.watches.site.mail_waiting.insert(letter, error);
                self.watches.site.mail_failing_since.get_or_insert(self.now);
            }
            What::StoreFailed { error, at_stake } => self.watches.site.store_failed(error, at_stake),
            What::StoreRecovered => self.watches.site.store = None,
            What::StoreHurt { what } => self.watches.site.hurt = Some((self.now, what)),
            What::Started | What::ClockStepped { .. } | What::Tick => {}
        }
        self.set_wake();
    }

    /// Takes in an entry that was told at `reported_at`, before this engine began. Trays, cuts and
    /// waterings follow from it; a tank or leaves that were wet then are not wet now.
    pub fn remember(&mut self, reported_at: Timestamp, number: i64, entry: &Entry) {
        if let Ok((_, logged)) = self.trays.take(&self.rules, reported_at, number, entry) {
            self.watches.demands_stale = true;
            if matches!(logged, Logged::Water { .. }) {
                self.watches.logged(&seen!(self, &self.rules), entry.at.unwrap_or(reported_at), logged);
            }
        }
    }

    /// Takes in a call that was made before this engine began; oldest first.
    pub fn remember_call(&mut self, kind: AlarmKind, call: Call) {
        self.account.remember(kind, call);
    }

    fn journal(&mut self, number: i64, entry: &Entry, effects: &mut Vec<Effect>) {
        match self.trays.take(&self.rules, self.now, number, entry) {
            Ok((mut note, logged)) => {
                self.watches.demands_stale = true;
                let seen = seen!(self, &self.rules);
                self.watches.logged(&seen, entry.at.unwrap_or(self.now), logged);
                note.extend(self.watches.clashes(&seen));
                effects.push(Effect::EntryTaken { number, note });
            }
            Err(why) => effects.push(Effect::EntryRefused { number, why }),
        }
    }

    fn reading(&mut self, raw: RawReading, effects: &mut Vec<Effect>) {
        let index = usize::from(raw.channel.0);
        let air = self.air_of_echo(raw.channel);
        let Some(judge) = self.judges.get_mut(index) else {
            return;
        };
        judge.hear_air(air);
        let judgement = judge.judge(self.now, raw);
        if judgement.reason == Some(Doubt::FaultCode) {
            self.frame_broke(raw.channel);
        }
        let sensor = &mut self.watches.sensors[usize::from(self.rules.channel(raw.channel).sensor.0)];
        match (judgement.believed, judgement.reason) {
            (Some(_), Some(Doubt::Late)) => sensor.spoke(self.now),
            (Some(reading), _) => {
                sensor.believed(self.now);
                self.minutes[index].take(self.now, &reading);
            }
            // Retained or repeated: says nothing about the present, not even that it lives.
            (None, Some(Doubt::Retained | Doubt::Duplicate)) => {}
            (None, reason) => {
                if judgement.flag != Flag::Good {
                    sensor.refused(self.now, reason.map_or("range", Doubt::word));
                }
            }
        }
        if effects.is_empty() {
            // Nearly always all that comes of it; a backlog holds many of them.
            effects.reserve_exact(1);
        }
        effects.push(Effect::Judged(judgement));
    }

    /// How warm the air is that a gauge's echo goes through, where it is to be corrected.
    fn air_of_echo(&self, gauge: ChannelId) -> Option<Celsius> {
        let channel = self.rules.channels.get(usize::from(gauge.0))?;
        let reservoir = self.rules.sensor(channel.sensor).reservoir?;
        let echo = self.rules.reservoir(reservoir).echo?;
        let every = self.rules.sensor(self.rules.channel(echo.air).sensor).every;
        let keeps = ECHO_AIR_KEEPS.max(every * 5 / 2);
        self.minutes[usize::from(echo.air.0)].within(self.now, keeps).map(Celsius)
    }

    /// The rest of a message in which one value was a fault code is no measurement either.
    fn frame_broke(&mut self, part: ChannelId) {
        let sensor = self.rules.channel(part).sensor;
        for (channel, judge) in self.rules.channels.iter().zip(&mut self.judges) {
            if channel.sensor == sensor {
                judge.frame_broke(self.now);
            }
        }
    }
}
