//! A place as its trays see it: the air they breathe, what they bear, and what is assumed
//! where nothing measures.

use crate::physics::canopy::{FAN_AIR_SPEED, humidity_within_unknown_canopy};
use crate::physics::mold_pressure::TrayAir;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::air::{AirMinute, AirWatch};
use crate::watch::band::Demand;
use crate::watch::probe::Probe;
use crate::watch::trays::tray::Tray;
use chrono::Timelike;

/// The local hours in which lights are taken to be on. Own default.
const LIT_HOURS: core::ops::Range<u32> = 6..22;

/// A place and the trays that breathe its air.
pub(crate) struct Stand<'a> {
    /// The place's number, for what it has taught.
    pub(crate) place: u16,
    /// The place's name.
    pub(crate) name: &'a str,
    /// The air it stood in for that minute.
    pub(crate) air: AirMinute,
    /// What it has done lately.
    pub(crate) watch: &'a AirWatch,
    /// What it must hold.
    pub(crate) demand: &'a Demand,
    /// The trays, by the grower's names for them.
    pub(crate) trays: &'a [&'a Tray],
    /// Probes on surfaces there.
    pub(crate) surfaces: &'a [Probe<'a>],
    /// The site's time zone, for when lights are taken to be on.
    pub(crate) zone: chrono_tz::Tz,
}

impl Stand<'_> {
    /// The air of its trays in light; `None` where it is not known.
    pub(crate) fn tray_air(&self, at: Timestamp) -> Option<TrayAir> {
        let (temperature, humidity) = self.air.temperature.zip(self.air.humidity)?;
        Some(tray_air(at, self.zone, temperature, humidity, self.air.accuracy.humidity))
    }
}

/// The air of a tray in light, from what a place's sensors believe, Celsius and per cent
/// that may be off by `accuracy`, with what is assumed of the rest.
pub fn tray_air(at: Timestamp, zone: chrono_tz::Tz, temperature: f64, humidity: f64, accuracy: f64) -> TrayAir {
    TrayAir {
        temperature: Celsius(temperature),
        humidity: RelativeHumidity(humidity),
        humidity_accuracy: accuracy,
        canopy_humidity: humidity_within_unknown_canopy(RelativeHumidity(humidity), lit(at, zone)),
        air_speed: FAN_AIR_SPEED,
    }
}

/// Lights are taken to be on.
pub fn lit(at: Timestamp, zone: chrono_tz::Tz) -> bool {
    LIT_HOURS.contains(&at.with_timezone(&zone).hour())
}
