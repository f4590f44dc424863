//! The kinds of faults, which alarms fit them, and by the hidden truth the moment at which
//! each has done harm.

use crate::drawn::Drawn;
use chrono::TimeDelta;
use traywarden::demo::plan::Lot;
use traywarden::demo::room::Truth;
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

/// Watches the truth for the moment of harm.
pub struct HarmWatch {
    hot: f64,
    cold: f64,
    wilting: f64,
    wet: Vec<(f64, f64)>,
    condensing: Vec<f64>,
    /// When harm began, and what it was.
    pub at: Option<(Timestamp, String)>,
}

impl HarmWatch {
    pub fn new() -> Self {
        HarmWatch { hot: 0.0, cold: 0.0, wilting: 0.0, wet: Vec::new(), condensing: Vec::new(), at: None }
    }

    /// One minute of truth.
    pub fn minute(&mut self, drawn: &Drawn, truth: &Truth, lots: &[Lot]) {
        let bears = &drawn.bears;
        let minute = 1.0 / 60.0;
        let places = &drawn.room.story.plan.places;
        self.wet.resize(places.len(), (0.0, 0.0));
        self.condensing.resize(places.len(), 0.0);
        let mut harmed = false;
        let count = |holds: bool, hours: f64| if holds { hours + minute } else { 0.0 };
        self.hot = count(truth.places.iter().any(|air| air.temperature > bears.hot), self.hot);
        self.cold = count(truth.places.iter().any(|air| air.temperature < bears.cold), self.cold);
        let dry = lots.iter().any(|lot| lot.lit_at.is_some() && lot.water_ml < bears.wilts_below_ml);
        self.wilting = count(dry, self.wilting);
        harmed |= self.hot >= 2.0 || self.cold >= 4.0 || self.wilting >= 2.0;
        for (index, air) in truth.places.iter().enumerate() {
            let lit = lots.iter().any(|lot| lot.place == places[index].id && lot.lit_at.is_some());
            let (done, dry) = self.wet[index];
            self.wet[index] = if lit && air.humidity >= bears.wet_from {
                // Fastest at 20 °C, never below 5 or above 32: a triangle, unlike the engine's curve.
                let pace = if air.temperature <= 20.0 {
                    (air.temperature - 5.0) / 15.0
                } else {
                    (32.0 - air.temperature) / 12.0
                };
                (done + minute * pace.max(0.0), 0.0)
            } else if dry >= bears.dry_hours {
                (0.0, dry)
            } else {
                (done, dry + minute)
            };
            harmed |= self.wet[index].0 >= bears.infection_hours;
            let surface = air.temperature - bears.cold_surface * (air.temperature - truth.outside);
            let dew = dew_point(air.temperature, air.humidity);
            let cold = [Kind::CondensingNight, Kind::CondensingUnderProbe];
            let dripping = drawn.fault.is_some_and(|fault| cold.contains(&fault.kind));
            self.condensing[index] = count(lit && dripping && surface < dew, self.condensing[index]);
            harmed |= self.condensing[index] >= 8.0;
        }
        harmed |= truth.tank_depth <= drawn.room.story.plan.tank.pump_inlet + 0.05;
        harmed |= truth.leaked > bears.spill;
        // Past its cut a tray loses slower than under its cover.
        let overdue = drawn.fault.is_some_and(|fault| fault.kind == Kind::Overdue);
        let bears_minutes = (bears.overdue_hours * if overdue { 120.0 } else { 60.0 }) as i64;
        harmed |= drawn.due.is_some_and(|due| truth.at > due + TimeDelta::minutes(bears_minutes));
        let after = drawn.fault.is_none_or(|fault| truth.at >= fault.from);
        if harmed && after && self.at.is_none() {
            let reported = format!(
                "hot {:.1} h, cold {:.1} h, wilting {:.1} h, wet {:?}, condensing {:?}, tank {:.0} mm, leaked {:.1} L",
                self.hot, self.cold, self.wilting, self.wet, self.condensing, truth.tank_depth, truth.leaked
            );
            self.at.get_or_insert((truth.at, reported));
        }
    }
}

/// Magnus form, Sonntag 1990 constants; within 0.1 K here.
fn dew_point(temperature: f64, humidity: f64) -> f64 {
    let gamma = (humidity.max(1.0) / 100.0).ln() + 17.62 * temperature / (243.12 + temperature);
    243.12 * gamma / (17.62 - gamma)
}
