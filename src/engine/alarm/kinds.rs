//! The words of alarms: kinds, keys, states and priorities. They are stable: settings, JSON,
//! stores and subject lines carry them.

use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use serde::{Deserialize, Serialize};

/// Who is said to have answered what nobody answered, once it was over and the digest told of it.
pub const REPORTED_IN_THE_DIGEST: &str = "the digest";

/// What can be wrong. The words are stable: config, JSON and subject lines carry them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmKind {
    /// Warmer than the stage bears.
    AirTooWarm,
    /// Colder than the stage bears.
    AirTooCold,
    /// More humid than the stage bears.
    AirTooDamp,
    /// Drier than the stage bears.
    AirTooDry,
    /// A surface is at or below the dew point.
    Condensation,
    /// Conditions have nearly allowed infection.
    MoldPressure,
    /// A tray will dry out.
    DryOut,
    /// A tray is past its stage.
    StageOverdue,
    /// The reservoir will be empty before long.
    ReservoirLow,
    /// The pump draws air.
    ReservoirEmpty,
    /// The reservoir loses more than plants can use.
    ReservoirLeak,
    /// A sensor has stopped speaking.
    SensorSilent,
    /// A sensor repeats one value.
    SensorStuck,
    /// A sensor says what cannot be.
    SensorImplausible,
    /// Two sensors in one place drift apart.
    SensorDrift,
    /// No connection to the broker.
    BrokerLost,
    /// Letters do not leave.
    MailFailing,
    /// The store does not commit.
    StoreFailing,
    /// The wall clock was set by more than a little.
    ClockStepped,
}

impl AlarmKind {
    /// Every kind, in the order of the table.
    pub const ALL: [AlarmKind; 19] = [
        AlarmKind::AirTooWarm,
        AlarmKind::AirTooCold,
        AlarmKind::AirTooDamp,
        AlarmKind::AirTooDry,
        AlarmKind::Condensation,
        AlarmKind::MoldPressure,
        AlarmKind::DryOut,
        AlarmKind::StageOverdue,
        AlarmKind::ReservoirLow,
        AlarmKind::ReservoirEmpty,
        AlarmKind::ReservoirLeak,
        AlarmKind::SensorSilent,
        AlarmKind::SensorStuck,
        AlarmKind::SensorImplausible,
        AlarmKind::SensorDrift,
        AlarmKind::BrokerLost,
        AlarmKind::MailFailing,
        AlarmKind::StoreFailing,
        AlarmKind::ClockStepped,
    ];

    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            AlarmKind::AirTooWarm => "air-too-warm",
            AlarmKind::AirTooCold => "air-too-cold",
            AlarmKind::AirTooDamp => "air-too-damp",
            AlarmKind::AirTooDry => "air-too-dry",
            AlarmKind::Condensation => "condensation",
            AlarmKind::MoldPressure => "mold-pressure",
            AlarmKind::DryOut => "dry-out",
            AlarmKind::StageOverdue => "stage-overdue",
            AlarmKind::ReservoirLow => "reservoir-low",
            AlarmKind::ReservoirEmpty => "reservoir-empty",
            AlarmKind::ReservoirLeak => "reservoir-leak",
            AlarmKind::SensorSilent => "sensor-silent",
            AlarmKind::SensorStuck => "sensor-stuck",
            AlarmKind::SensorImplausible => "sensor-implausible",
            AlarmKind::SensorDrift => "sensor-drift",
            AlarmKind::BrokerLost => "broker-lost",
            AlarmKind::MailFailing => "mail-failing",
            AlarmKind::StoreFailing => "store-failing",
            AlarmKind::ClockStepped => "clock-stepped",
        }
    }

    /// The kind with this word.
    pub fn from_word(word: &str) -> Option<AlarmKind> {
        AlarmKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One alarm: a kind and what it is about (the id of a place, sensor, reservoir
/// or tray, or `site`).
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct AlarmKey {
    /// What is wrong, such as a tank that runs low.
    pub kind: AlarmKind,
    /// The id of what it is wrong with.
    pub subject: String,
}

impl AlarmKey {
    /// `kind:subject`, as commands, topics and letter ids write it.
    pub fn id(&self) -> String {
        format!("{}:{}", self.kind.word(), self.subject)
    }

    /// Reads what [`AlarmKey::id`] writes.
    pub fn from_id(id: &str) -> Option<AlarmKey> {
        let (kind, subject) = id.split_once(':')?;
        Some(AlarmKey { kind: AlarmKind::from_word(kind)?, subject: subject.to_owned() })
    }
}

/// The named states of ISA-18.2 that a grower can see.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// All is well, and nobody needs to know.
    Normal,
    /// It holds and nobody has answered.
    Unacknowledged,
    /// It holds and somebody knows.
    Acknowledged,
    /// It is over, but nobody has said that they saw it.
    ReturnedUnacknowledged,
    /// Silenced by a person until a time.
    Shelved,
    /// Taken out by a person, with a reason.
    OutOfService,
}

impl AlarmState {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned-unacknowledged",
            AlarmState::Shelved => "shelved",
            AlarmState::OutOfService => "out-of-service",
        }
    }
}

/// When somebody must hear of it. From time to harm against the next round.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Harm may begin before anybody is in the room.
    Now,
    /// It can wait for the round, and is in the letter before it.
    NextRound,
    /// No harm in sight: a line in the digest.
    Digest,
}

impl Priority {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Priority::Now => "now",
            Priority::NextRound => "next-round",
            Priority::Digest => "digest",
        }
    }
}

/// Whether a call was right, as the grower saw it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Hands were needed.
    Right,
    /// It could have waited, or nothing was the matter.
    Wrong,
}

impl Grade {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Grade::Right => "right",
            Grade::Wrong => "wrong",
        }
    }
}
