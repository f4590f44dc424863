//! Alarms by the life cycle of ANSI/ISA-18.2 (IEC 62682), as open texts restate it
//! and OPC UA Part 9 models it: a condition must hold for an on-delay, be gone for
//! an off-delay, and nothing returns to normal unseen.
//!
//! This file has the words (kinds, states, priorities, evidence); `cycle` has the
//! state machine of one alarm, `register` keeps them all, `table` a row of reasons for each kind. Which
//! conditions hold is judged in the watches (`air`, `tank`, `silence`, `tray`).

pub mod cycle;
pub mod register;
pub mod table;

use crate::reading::Quantity;
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

/// Who is said to have answered what nobody answered, once it was over and the digest told of it.
pub const TOLD_IN_THE_DIGEST: &str = "the digest";

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
    /// What is wrong.
    pub kind: AlarmKind,
    /// With what.
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

/// When harm begins if nobody does anything.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Harm {
    /// Best estimate.
    pub from: Timestamp,
    /// It may begin this early: sensor accuracy and model spread on the bad side.
    pub early: Timestamp,
}

/// One alarm at one moment: what changed and what is known.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmChange {
    /// When it changed.
    pub at: Timestamp,
    /// Which alarm.
    pub key: AlarmKey,
    /// When the condition of this episode began to hold (not when it was raised).
    pub since: Timestamp,
    /// The state it is in now.
    pub state: AlarmState,
    /// The state it was in before; equal to `state` when only the priority changed.
    pub before: AlarmState,
    /// When somebody must hear of it.
    pub priority: Priority,
    /// When harm begins; `None` if none is in sight.
    pub harm: Option<Harm>,
    /// Times it came and went in this episode, from 1.
    pub times: u32,
    /// The next round at the time of the change.
    pub next_round: Timestamp,
    /// The numbers behind it.
    pub evidence: Evidence,
    /// Who answered it, for an acknowledgement or a shelving.
    pub by: Option<String>,
    /// When they did.
    pub answered_at: Option<Timestamp>,
}

/// The numbers behind an alarm. Celsius, per cent, litres; words are made in `notify`.
#[derive(Clone, Debug, PartialEq)]
pub enum Evidence {
    /// Air outside the band of the stage.
    Air {
        /// The place's name.
        place: String,
        /// Temperature or humidity.
        quantity: Quantity,
        /// What it is now.
        value: f64,
        /// The limit of the band.
        limit: f64,
        /// The worst value of this episode.
        worst: f64,
        /// What stands there, e.g. "broccoli in light"; empty if not known.
        trays: Vec<String>,
        /// Dew point now, Celsius, if both quantities are known.
        dew_point: Option<f64>,
        /// What the dew point may be off by, kelvin.
        dew_point_accuracy: Option<f64>,
        /// What the value may be off by, as the settings state it.
        accuracy: f64,
    },
    /// A surface colder than the dew point.
    Condensation {
        /// The place's name.
        place: String,
        /// Dew point, Celsius.
        dew_point: f64,
        /// Temperature of the surface, Celsius.
        surface: f64,
        /// What the difference of the two may be off by, kelvin.
        accuracy: f64,
        /// What the probe is on; `None`: no probe, a cold spot is assumed.
        on: Option<String>,
    },
    /// Hours that allowed infection.
    Mold {
        /// The place's name.
        place: String,
        /// The trays concerned.
        trays: Vec<String>,
        /// 0 to 100.
        pressure: f64,
        /// Hours that conditions have allowed.
        hours: f64,
        /// The least and the most of them, as far as the hygrometer is good.
        between: (f64, f64),
        /// Hours that are needed at this temperature.
        needed: f64,
        /// The disease model behind it, by its pathogen and host.
        model: String,
    },
    /// A tray drying out.
    Dryness {
        /// The place's name.
        place: String,
        /// The trays concerned.
        trays: Vec<String>,
        /// Hours until dry, best estimate.
        hours: f64,
        /// Last watering, if logged.
        watered: Option<Timestamp>,
        /// A watering in the log that its tank did not show.
        not_shown: Option<Timestamp>,
    },
    /// A tray past its stage.
    Stage {
        /// The tray.
        tray: String,
        /// The place's name.
        place: String,
        /// The crop or blend.
        crop: String,
        /// The stage it is in.
        stage: super::tray::Stage,
        /// When that stage should have ended.
        due: Timestamp,
    },
    /// Level, draw and forecast of a reservoir.
    Reservoir {
        /// The reservoir's name.
        reservoir: String,
        /// Litres above the pump inlet.
        usable: f64,
        /// Share of the usable volume, per cent.
        percent: f64,
        /// Litres an hour; `None`: no measurable draw.
        draw: Option<f64>,
        /// When it reaches the pump inlet: best estimate, early and late bound.
        empty_at: Option<(Timestamp, Timestamp, Timestamp)>,
        /// Litres that fill it.
        to_fill: f64,
    },
    /// A draw that plants cannot explain.
    Leak {
        /// The reservoir's name.
        reservoir: String,
        /// Litres an hour, now.
        draw: f64,
        /// Litres an hour that plants and pump can explain.
        expected: f64,
        /// Litres lost since it began.
        lost: f64,
        /// Litres above the pump inlet.
        usable: f64,
    },
    /// A sensor has stopped speaking.
    Silent {
        /// Where it hangs: the place's or the reservoir's name.
        place: String,
        /// When it was last heard; `None`: never since we listen.
        last_heard: Option<Timestamp>,
        /// How often it should speak.
        every: TimeDelta,
        /// Nothing else measures this place.
        blind: bool,
    },
    /// A sensor repeats one value.
    Stuck {
        /// Where it hangs.
        place: String,
        /// What it reports.
        quantity: Quantity,
        /// The value it repeats, as believed.
        value: f64,
    },
    /// A sensor says what cannot be.
    Implausible {
        /// Where it hangs.
        place: String,
        /// Refused messages in the last hour.
        refused: u32,
        /// Messages in the last hour.
        heard: u32,
        /// The commonest reason, as its stable word.
        reason: &'static str,
    },
    /// Two sensors drift apart.
    Drift {
        /// The place.
        place: String,
        /// The other sensor.
        sister: String,
        /// What they report.
        quantity: Quantity,
        /// Mean difference over the window, in the channel's unit.
        difference: f64,
    },
    /// No connection to the broker.
    Broker,
    /// Letters do not leave.
    Mail {
        /// Letters that wait.
        waiting: u32,
        /// The last error.
        error: String,
    },
    /// The store does not commit.
    Store {
        /// The last error.
        error: String,
    },
    /// The clock was set.
    Clock {
        /// By how much; positive is forward.
        by: TimeDelta,
    },
}
