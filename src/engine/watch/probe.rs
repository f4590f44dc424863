//! A probe on a surface: a window, a chiller line, a wall.

use crate::float;
use crate::physics::surface::Surface;
use crate::reading::ChannelId;
use crate::units::{Celsius, RelativeHumidity};
use crate::watch::air::AirMinute;
use crate::watch::seen::Seen;
use alloc::vec::Vec;

/// A probe on a surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe<'a> {
    /// What it is on.
    pub on: &'a str,
    /// What it says, Celsius, while that is fresh.
    pub temperature: Option<f64>,
    /// What it may be off by, kelvin.
    pub accuracy: f64,
}

impl Probe<'_> {
    /// The surface in this air; `None` while either is not known. The margin's band takes in
    /// both sensors.
    pub fn surface(&self, air: &AirMinute) -> Option<Surface> {
        let (temperature, humidity) = air.temperature.zip(air.humidity)?;
        let surface = Celsius(self.temperature?);
        let found = Surface::measured(surface, Celsius(temperature), RelativeHumidity(humidity), air.accuracy)?;
        Some(Surface { margin_accuracy: float::hypot(found.margin_accuracy, self.accuracy), ..found })
    }
}

/// The probes behind these channels, as they stand now.
pub(crate) fn probes<'a>(seen: &Seen<'a>, on: &[ChannelId]) -> Vec<Probe<'a>> {
    let probe = |id: &ChannelId| {
        let channel = seen.rules.channel(*id);
        Some(Probe {
            on: seen.rules.sensor(channel.sensor).surface.as_deref()?,
            temperature: seen.fresh(*id),
            accuracy: channel.accuracy,
        })
    };
    on.iter().filter_map(probe).collect()
}
