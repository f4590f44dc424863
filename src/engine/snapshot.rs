//! The room now, as plain data: what `now`, `trays` and `alarms` show.

use super::alarm::AlarmChange;
use super::digest::{ReservoirDay, TrayDay};
use crate::units::Timestamp;
use alloc::string::String;
use alloc::vec::Vec;

/// The room at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The moment.
    pub at: Timestamp,
    /// The next round.
    pub next_round: Timestamp,
    /// A place each.
    pub places: Vec<PlaceNow>,
    /// A reservoir each.
    pub reservoirs: Vec<ReservoirDay>,
    /// A sensor each.
    pub sensors: Vec<SensorNow>,
    /// Trays that grow, with what is due within two days.
    pub trays: Vec<TrayDay>,
    /// Every alarm that is not normal.
    pub alarms: Vec<AlarmChange>,
    /// Connected to the broker.
    pub broker_up: bool,
}

/// One place now.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceNow {
    /// The id.
    pub id: String,
    /// The name.
    pub name: String,
    /// Degrees Celsius, if fresh.
    pub temperature: Option<f64>,
    /// Per cent, if fresh.
    pub humidity: Option<f64>,
    /// Vapour pressure deficit, kilopascals.
    pub deficit: Option<f64>,
    /// What that may be off by, kilopascals.
    pub deficit_accuracy: Option<f64>,
    /// Dew point, degrees Celsius.
    pub dew_point: Option<f64>,
    /// What that may be off by, kelvin.
    pub dew_point_accuracy: Option<f64>,
    /// What temperature and humidity may be off by, as the settings state it.
    pub accuracy: super::climate::Accuracy,
    /// A hygrometer stands at the top of its scale: the air is at least so damp.
    pub at_least: bool,
    /// Probes on surfaces there.
    pub surfaces: Vec<SurfaceNow>,
    /// Mold pressure of the tray in light that is furthest on.
    pub mold: Option<super::leaves::Pressure>,
    /// Temperature low and high, humidity low and high of the band; `None`: no limit.
    pub band: [Option<f64>; 4],
    /// What stands there.
    pub trays: Vec<String>,
    /// Nothing grows there.
    pub empty: bool,
    /// The tray whose band clashes with the rest.
    pub clash: Option<String>,
}

/// One surface with a probe on it, now.
#[derive(Clone, Debug, PartialEq)]
pub struct SurfaceNow {
    /// What the probe is on.
    pub on: String,
    /// How warm it is and how it stands in the air; `None`: one of the sensors is silent.
    pub surface: Option<super::risk::condensation::Surface>,
}

/// One sensor now.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorNow {
    /// The id.
    pub id: String,
    /// The place's or reservoir's name.
    pub place: String,
    /// When it last said something we believed.
    pub last_believed: Option<Timestamp>,
    /// It has not spoken for longer than it may.
    pub silent: bool,
    /// Readings and messages refused since the last digest.
    pub refused: u32,
    /// How its hygrometer stands with respect to the top of its scale.
    pub pinned: super::saturation::Pinned,
    /// Its echo should be corrected for the warmth of the air, and could not be.
    pub uncorrected: bool,
    /// When it was last calibrated, if the settings say so.
    pub calibrated: Option<chrono::NaiveDate>,
}
