//! One place's air over the digest's span, gathered minute by minute.

use crate::physics::surface::Surface;
use crate::rules::Place;
use crate::watch::air::AirMinute;
use crate::watch::band::{Band, Demand};
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;

/// The air of one place over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceDay {
    /// The id it has in the settings.
    pub id: String,
    /// The name the grower gave it in the settings.
    pub name: String,
    /// Temperature: lowest, mean, highest, Celsius.
    pub temperature: Option<(f64, f64, f64)>,
    /// Humidity: lowest, mean, highest, per cent.
    pub humidity: Option<(f64, f64, f64)>,
    /// Vapour pressure deficit: lowest, mean, highest, kilopascals.
    pub vpd: Option<(f64, f64, f64)>,
    /// What that deficit may be off by on average, kilopascals.
    pub vpd_accuracy: Option<f64>,
    /// Hours too warm.
    pub hours_warm: f64,
    /// Hours too cold.
    pub hours_cold: f64,
    /// Hours too damp.
    pub hours_damp: f64,
    /// Hours too dry.
    pub hours_dry: f64,
    /// Hours with data.
    pub hours_known: f64,
    /// The band that held at the end: temperature low, high, humidity low, high;
    /// `None` where there is no limit.
    pub band: [Option<f64>; 4],
    /// No tray stood there.
    pub empty: bool,
    /// Surfaces with a probe on them.
    pub surfaces: Vec<SurfaceDay>,
}

/// A surface over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct SurfaceDay {
    /// What the probe is on.
    pub on: String,
    /// Hours below the dew point.
    pub hours_wet: f64,
    /// Hours in which the air on it had 80 % or more, the wet ones among them.
    pub hours_damp: f64,
}

/// One place's air, gathered minute by minute.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct PlaceTally {
    temperature: LowHigh,
    humidity: LowHigh,
    deficit: LowHigh,
    deficit_accuracy: LowHigh,
    warm: u32,
    cold: u32,
    damp: u32,
    dry: u32,
    known: u32,
    /// Minutes wet and damp of each surface.
    surfaces: BTreeMap<String, (u32, u32)>,
}

#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
struct LowHigh {
    low: f64,
    high: f64,
    sum: f64,
    count: u32,
}

impl LowHigh {
    fn take(&mut self, value: f64) {
        self.low = if self.count == 0 { value } else { self.low.min(value) };
        self.high = if self.count == 0 { value } else { self.high.max(value) };
        self.sum += value;
        self.count += 1;
    }

    fn spread(&self) -> Option<(f64, f64, f64)> {
        (self.count > 0).then(|| (self.low, self.sum / f64::from(self.count), self.high))
    }
}

impl PlaceTally {
    /// Takes in one minute.
    pub(crate) fn minute(&mut self, air: AirMinute, band: &Band) {
        let above = |value: Option<f64>, limit: Option<f64>| value.zip(limit).is_some_and(|(v, l)| v > l);
        let below = |value: Option<f64>, limit: Option<f64>| value.zip(limit).is_some_and(|(v, l)| v < l);
        if let Some(temperature) = air.temperature {
            self.temperature.take(temperature);
        }
        if let Some(humidity) = air.humidity {
            self.humidity.take(humidity);
        }
        if let Some(deficit) = air.deficit() {
            self.deficit.take(deficit);
            if let Some(accuracy) = air.deficit_accuracy() {
                self.deficit_accuracy.take(accuracy);
            }
        }
        self.known += u32::from(air.temperature.is_some() || air.humidity.is_some());
        self.warm += u32::from(above(air.temperature, band.temperature_max));
        self.cold += u32::from(below(air.temperature, band.temperature_min));
        self.damp += u32::from(above(air.humidity, band.humidity_max));
        self.dry += u32::from(below(air.humidity, band.humidity_min));
    }

    /// One minute of a surface with a probe on it.
    pub(crate) fn surface(&mut self, on: &str, surface: &Surface) {
        if !self.surfaces.contains_key(on) {
            self.surfaces.insert(on.to_owned(), (0, 0));
        }
        if let Some((wet, damp)) = self.surfaces.get_mut(on) {
            *wet += u32::from(surface.condenses());
            *damp += u32::from(surface.is_damp());
        }
    }

    /// The day as the digest tells it.
    pub(crate) fn of_digest(&self, place: &Place, demand: &Demand) -> PlaceDay {
        let hours = |minutes: u32| f64::from(minutes) / 60.0;
        PlaceDay {
            id: place.id.clone(),
            name: place.name.clone(),
            temperature: self.temperature.spread(),
            humidity: self.humidity.spread(),
            vpd: self.deficit.spread(),
            vpd_accuracy: self.deficit_accuracy.spread().map(|(_, mean, _)| mean),
            hours_warm: hours(self.warm),
            hours_cold: hours(self.cold),
            hours_damp: hours(self.damp),
            hours_dry: hours(self.dry),
            hours_known: hours(self.known),
            band: [
                demand.band.temperature_min,
                demand.band.temperature_max,
                demand.band.humidity_min,
                demand.band.humidity_max,
            ],
            empty: demand.empty,
            surfaces: self
                .surfaces
                .iter()
                .map(|(on, (wet, damp))| SurfaceDay {
                    on: on.clone(),
                    hours_wet: hours(*wet),
                    hours_damp: hours(*damp),
                })
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_tells_what_the_air_was_and_how_long_it_was_outside_its_band() {
        let limits = Band {
            temperature_min: Some(18.0),
            temperature_max: Some(24.0),
            humidity_min: Some(40.0),
            humidity_max: Some(60.0),
        };
        let mut day = PlaceTally::default();
        // An hour of each: cold and damp, as it should be, warm and dry, warm, not heard.
        for known in [Some((17.0, 66.0)), Some((21.0, 50.0)), Some((25.0, 37.0)), Some((25.0, 47.0)), None] {
            let (temperature, humidity) = known.unzip();
            let air = AirMinute { temperature, humidity, ..AirMinute::default() };
            (0..60).for_each(|_| day.minute(air, &limits));
        }
        let place = Place { id: "rack".to_owned(), name: "Rack".to_owned(), inside: None, band: Default::default() };
        let told = day.of_digest(&place, &Demand::default());
        assert_eq!((told.temperature, told.humidity), (Some((17.0, 22.0, 25.0)), Some((37.0, 50.0, 66.0))));
        assert_eq!([told.hours_cold, told.hours_warm, told.hours_damp, told.hours_dry], [1.0, 2.0, 1.0, 1.0]);
        assert_eq!(told.hours_known, 4.0);
        let silent = PlaceTally::default().of_digest(&place, &Demand::default());
        assert_eq!((silent.temperature, silent.humidity, silent.vpd), (None, None, None));
    }
}
