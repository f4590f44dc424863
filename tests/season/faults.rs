//! The kinds of faults and which alarms fit them. What harm each does is in `harm`.

use traywarden::engine::alarm::AlarmKind::{self, *};
use traywarden::units::Timestamp;

/// What can go wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    DehumidifierOut,
    CondensingNight,
    FanOut,
    LightsStuck,
    HeaterStuck,
    HeaterOut,
    MissedWatering,
    PumpDead,
    TankLeak,
    NotRefilled,
    Silent,
    Stuck,
    Spiking,
    Drifting,
    SwappedUnits,
    PowerOnCode,
    BrokerAway,
    ForgottenUnderCover,
    Overdue,
    CondensingUnderProbe,
}

/// A fault at a moment.
#[derive(Clone, Copy, Debug)]
pub struct Fault {
    pub kind: Kind,
    pub from: Timestamp,
}

impl Kind {
    pub const ALL: [Kind; 20] = [
        Kind::DehumidifierOut,
        Kind::CondensingNight,
        Kind::FanOut,
        Kind::LightsStuck,
        Kind::HeaterStuck,
        Kind::HeaterOut,
        Kind::MissedWatering,
        Kind::PumpDead,
        Kind::TankLeak,
        Kind::NotRefilled,
        Kind::Silent,
        Kind::Stuck,
        Kind::Spiking,
        Kind::Drifting,
        Kind::SwappedUnits,
        Kind::PowerOnCode,
        Kind::BrokerAway,
        Kind::ForgottenUnderCover,
        Kind::Overdue,
        // Last, so that the seeds of the others stay what they were.
        Kind::CondensingUnderProbe,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Kind::DehumidifierOut => "dehumidifier out",
            Kind::CondensingNight => "damp on a freezing night",
            Kind::FanOut => "fan out",
            Kind::LightsStuck => "lights stuck on",
            Kind::HeaterStuck => "heater stuck on",
            Kind::HeaterOut => "heater out",
            Kind::MissedWatering => "waterings missed",
            Kind::PumpDead => "pump dead, watering logged",
            Kind::TankLeak => "tank leaks",
            Kind::NotRefilled => "tank not refilled",
            Kind::Silent => "sensor silent",
            Kind::Stuck => "sensor stuck",
            Kind::Spiking => "sensor spiking",
            Kind::Drifting => "sensor drifting",
            Kind::SwappedUnits => "sensor in Fahrenheit",
            Kind::PowerOnCode => "power-on code",
            Kind::BrokerAway => "broker away",
            Kind::ForgottenUnderCover => "forgotten under cover",
            Kind::Overdue => "not cut",
            Kind::CondensingUnderProbe => "the same with a probe on the wall",
        }
    }

    /// The alarms that fit.
    pub fn fits(self) -> &'static [AlarmKind] {
        match self {
            Kind::DehumidifierOut | Kind::CondensingNight | Kind::CondensingUnderProbe => {
                &[AirTooDamp, MoldPressure, Condensation]
            }
            Kind::FanOut => &[AirTooDamp, MoldPressure, Condensation, AirTooWarm],
            Kind::LightsStuck | Kind::HeaterStuck => &[AirTooWarm, AirTooDry],
            Kind::HeaterOut => &[AirTooCold],
            Kind::MissedWatering | Kind::PumpDead => &[DryOut],
            Kind::TankLeak => &[ReservoirLeak, ReservoirLow, ReservoirEmpty],
            Kind::NotRefilled => &[ReservoirLow, ReservoirEmpty],
            Kind::Silent => &[SensorSilent],
            Kind::Stuck => &[SensorStuck, SensorDrift],
            Kind::Spiking | Kind::SwappedUnits | Kind::PowerOnCode => &[SensorImplausible, SensorDrift],
            Kind::Drifting => &[SensorDrift],
            Kind::BrokerAway => &[BrokerLost],
            Kind::ForgottenUnderCover | Kind::Overdue => &[StageOverdue],
        }
    }

    /// What the engine is known not to see in time: water that drips from a cold surface
    /// without a probe on it is told in the digest only, as no harm is reckoned for it.
    pub fn beyond_what_is_seen(self) -> bool {
        self == Kind::CondensingNight
    }

    /// A sensor nobody can trust does no harm by itself: somebody must have heard of it
    /// within so many hours. The daily digest may be what tells: a day, and an hour to notice,
    /// as what breaks minutes before one digest is in the next; half a day to find a stuck
    /// value odd; and for a drift of 3 % a day three days until it is more than two sensors of
    /// ±3 % may differ by, and the half day over which that is averaged. Own defaults.
    pub fn told_within(self) -> Option<i64> {
        match self {
            Kind::Silent | Kind::Spiking | Kind::SwappedUnits | Kind::PowerOnCode | Kind::BrokerAway => Some(25),
            Kind::Stuck => Some(36),
            Kind::Drifting => Some(72 + 12 + 24),
            _ => None,
        }
    }
}
