//! What belongs together: alarms that share a cause are one situation, and are told as one.
//! Damp, dew and mold conditions of one air are one trouble with three faces; so are low,
//! empty and leak of one tank, and the same trouble in several places of one air.

use crate::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority};
use crate::rules::{PlaceId, Rules};
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

/// The cause that alarms share. The order is that of the alarm table.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum Cause {
    /// Too warm, in one air.
    Warmth(SharedAir),
    /// Too cold, in one air.
    Cold(SharedAir),
    /// Damp, dew and mold conditions of one air.
    Damp(SharedAir),
    /// Dry air and trays that dry out.
    Drought(SharedAir),
    /// Trays past their stage: entries that nobody typed, or work that nobody did.
    Overdue,
    /// Level and loss of one tank, by its id.
    Tank(String),
    /// Sensors that are not heard, or the broker with all of them.
    Unheard,
    /// What one sensor says is not believed, by its id.
    Doubted(String),
    /// What concerns the watch itself, by the kind of alarm.
    Watch(AlarmKind),
}

/// Air that mixes: what lies in one place with others in it, or everything that lies in none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum SharedAir {
    /// Places that no other place holds: racks in one room.
    Common,
    /// A place that holds others.
    Of(u16),
}

/// Why an alarm stands in a letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum Occasion {
    /// It is new.
    Raised,
    /// It was in a letter before, and has become more urgent.
    Escalated,
    /// Nobody has answered; this is reminder number `n`, from 1.
    Reminder(u8),
    /// Nobody has answered, though people were in the room since.
    AfterRound,
    /// Its condition no longer holds.
    Returned,
    /// It is open: it waits for the round, or was told before.
    Waiting,
}

/// Alarms of one cause, most urgent first, as a letter tells them.
#[derive(Clone, Debug, PartialEq)]
pub struct Situation {
    /// What they share.
    pub cause: Cause,
    /// Why they stand in the letter: the newest reason of any of them.
    pub occasion: Occasion,
    /// The alarms, most urgent first; at least one.
    pub alarms: Vec<AlarmChange>,
    /// Those of them that a letter has named before, each as the last one had it.
    pub reported: Vec<AlarmChange>,
}

impl Situation {
    /// The alarm that says it best: the most urgent.
    pub fn first(&self) -> Option<&AlarmChange> {
        self.alarms.first()
    }

    /// When the first of its alarms began.
    pub fn since(&self) -> Option<Timestamp> {
        self.alarms.iter().map(|change| change.since).min()
    }

    /// How the last letter that named an alarm had it, if one has.
    pub fn reported_of(&self, key: &AlarmKey) -> Option<&AlarmChange> {
        self.reported.iter().find(|reported| reported.key == *key)
    }

    /// Those that say the same as the most urgent one, of other places too.
    pub fn alike(&self) -> impl Iterator<Item = &AlarmChange> {
        let kind = self.first().map(|first| first.key.kind);
        self.alarms.iter().filter(move |change| Some(change.key.kind) == kind)
    }

    /// None of it holds any more.
    pub fn is_over(&self) -> bool {
        self.occasion == Occasion::Returned
    }
}

/// The cause of an alarm.
pub fn cause_of(rules: &Rules, key: &AlarmKey) -> Cause {
    use AlarmKind::*;
    let subject = key.subject.as_str();
    match key.kind {
        AirTooWarm => Cause::Warmth(air_of(rules, subject)),
        AirTooCold => Cause::Cold(air_of(rules, subject)),
        AirTooDamp | Condensation | MoldPressure => Cause::Damp(air_of(rules, subject)),
        AirTooDry | DryOut => Cause::Drought(air_of(rules, subject)),
        StageOverdue => Cause::Overdue,
        ReservoirLow | ReservoirEmpty | ReservoirLeak => Cause::Tank(subject.to_owned()),
        SensorSilent | BrokerLost => Cause::Unheard,
        SensorStuck | SensorImplausible | SensorDrift => Cause::Doubted(subject.to_owned()),
        MailFailing | StoreFailing | ClockStepped => Cause::Watch(key.kind),
    }
}

/// Puts alarms of one cause together. The order of the situations is that of their most
/// urgent alarm; what is over stands last.
pub fn grouped(rules: &Rules, alarms: impl IntoIterator<Item = (Occasion, AlarmChange)>) -> Vec<Situation> {
    let mut situations: Vec<Situation> = Vec::new();
    for (occasion, change) in alarms {
        let cause = cause_of(rules, &change.key);
        let over = occasion == Occasion::Returned;
        // What is over is not said in one breath with what goes on.
        let same =
            |situation: &&mut Situation| situation.cause == cause && (situation.occasion == Occasion::Returned) == over;
        match situations.iter_mut().find(same) {
            Some(situation) => {
                situation.occasion = situation.occasion.min(occasion);
                situation.alarms.push(change);
            }
            None => situations.push(Situation { cause, occasion, alarms: vec![change], reported: Vec::new() }),
        }
    }
    for situation in &mut situations {
        drop_low_where_empty(&mut situation.alarms);
        situation.alarms.sort_by_key(urgency);
    }
    situations.sort_by_key(|situation| {
        (situation.occasion == Occasion::Returned, situation.first().map(|change| (urgency(change), change.since)))
    });
    situations
}

/// The alarms that a list of now shows, put together by cause; what somebody silenced stays out.
pub fn shown(rules: &Rules, alarms: &[AlarmChange]) -> Vec<Situation> {
    let told = alarms.iter().filter_map(|change| {
        let occasion = match change.state {
            AlarmState::Unacknowledged | AlarmState::Acknowledged => Occasion::Waiting,
            AlarmState::ReturnedUnacknowledged => Occasion::Returned,
            AlarmState::Normal | AlarmState::Shelved | AlarmState::OutOfService => return None,
        };
        Some((occasion, change.clone()))
    });
    grouped(rules, told)
}

/// Most urgent first: by priority, then by when harm may begin. Harm that may be there already is
/// told apart by when it likely came.
pub fn urgency(change: &AlarmChange) -> (Priority, bool, Option<(Timestamp, Timestamp)>) {
    (change.priority, change.harm.is_none(), change.harm.map(|harm| (harm.early.max(change.at), harm.likely)))
}

/// An empty tank is also a low one; that is not said twice.
fn drop_low_where_empty(alarms: &mut Vec<AlarmChange>) {
    if alarms.iter().any(|change| change.key.kind == AlarmKind::ReservoirEmpty) {
        alarms.retain(|change| change.key.kind != AlarmKind::ReservoirLow);
    }
}

fn air_of(rules: &Rules, place: &str) -> SharedAir {
    rules.place_named(place).map_or(SharedAir::Common, |place| outermost(rules, place))
}

/// The outermost place around one, if it holds others; racks that stand alone share the room.
fn outermost(rules: &Rules, place: PlaceId) -> SharedAir {
    let mut outer = place;
    for _ in 0..rules.places.len() {
        match rules.place(outer).inside {
            Some(next) => outer = next,
            None => break,
        }
    }
    let holds = rules.places.iter().any(|inner| inner.inside == Some(outer));
    if holds { SharedAir::Of(outer.0) } else { SharedAir::Common }
}

#[cfg(test)]
mod tests;
