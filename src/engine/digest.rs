//! The day in numbers: what the digest tells, and how it is gathered minute by minute.

use super::air::Air;
use super::alarm::AlarmChange;
use super::band::{Band, Demand};
use super::rules::{Place, Rules};
use super::tray::{Stage, Tray};
use crate::units::Timestamp;
use chrono::NaiveDate;

/// Everything the digest tells, as numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct DigestFacts {
    /// The local date it is for.
    pub date: NaiveDate,
    /// The span it covers.
    pub from: Timestamp,
    /// Its end.
    pub until: Timestamp,
    /// The daemon was off at the proper minute.
    pub late: bool,
    /// A place each, in the order of the config.
    pub places: Vec<PlaceDay>,
    /// A reservoir each.
    pub reservoirs: Vec<ReservoirDay>,
    /// Trays that grow.
    pub trays: Vec<TrayDay>,
    /// Alarms that were raised in the span, by their last change, oldest first.
    pub alarms: Vec<AlarmChange>,
    /// Alarms that hold now.
    pub standing: Vec<AlarmChange>,
    /// Sensors that were silent or refused in the span.
    pub sensors: Vec<SensorDay>,
    /// Spans in which nobody listened (daemon off, broker lost), total hours.
    pub unwatched_hours: f64,
    /// Messages on topics nobody owns.
    pub strays: u32,
}

/// The air of one place over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceDay {
    /// The id.
    pub id: String,
    /// The name.
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
}

/// A reservoir over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirDay {
    /// The id.
    pub id: String,
    /// The name.
    pub name: String,
    /// Litres above the pump inlet now.
    pub usable: Option<f64>,
    /// Share of the usable volume, per cent.
    pub percent: Option<f64>,
    /// Litres drawn over the span.
    pub drawn: f64,
    /// Litres added over the span.
    pub added: f64,
    /// When it reaches the pump inlet: best, early, late. `None`: no measurable draw.
    pub empty_at: Option<(Timestamp, Timestamp, Timestamp)>,
}

/// A tray and what it needs.
#[derive(Clone, Debug, PartialEq)]
pub struct TrayDay {
    /// The tray.
    pub tray: String,
    /// How many alike.
    pub count: u32,
    /// The crop or blend.
    pub crop: String,
    /// The place's name.
    pub place: String,
    /// The stage.
    pub stage: super::tray::Stage,
    /// Whole days since sowing.
    pub day: i64,
    /// What is due, and when. Ascending.
    pub due: Vec<(Due, Timestamp)>,
}

/// What can be due for a tray.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Due {
    /// Take the weight off.
    Unweight,
    /// Take the cover off and bring it to the light.
    Light,
    /// Cut.
    Harvest,
}

/// A sensor that did not behave.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorDay {
    /// The id.
    pub id: String,
    /// Where it hangs.
    pub place: String,
    /// Readings believed.
    pub believed: u32,
    /// Readings and messages refused.
    pub refused: u32,
    /// Why, commonest first, as stable words.
    pub reasons: Vec<(&'static str, u32)>,
    /// Hours of silence.
    pub silent_hours: f64,
    /// Hours in which its hygrometer was saturated.
    pub saturated_hours: f64,
    /// Hours in which its echo could not be corrected for the warmth of the air.
    pub uncorrected_hours: f64,
}

/// One place's air, gathered minute by minute.
#[derive(Clone, Debug, Default)]
pub struct PlaceTally {
    temperature: Spread,
    humidity: Spread,
    deficit: Spread,
    deficit_accuracy: Spread,
    warm: u32,
    cold: u32,
    damp: u32,
    dry: u32,
    known: u32,
}

#[derive(Clone, Copy, Debug, Default)]
struct Spread {
    low: f64,
    high: f64,
    sum: f64,
    count: u32,
}

impl Spread {
    fn take(&mut self, value: f64) {
        self.low = if self.count == 0 { value } else { self.low.min(value) };
        self.high = if self.count == 0 { value } else { self.high.max(value) };
        self.sum += value;
        self.count += 1;
    }

    fn told(&self) -> Option<(f64, f64, f64)> {
        (self.count > 0).then(|| (self.low, self.sum / f64::from(self.count), self.high))
    }
}

impl PlaceTally {
    /// Takes in one minute.
    pub fn minute(&mut self, air: Air, band: &Band) {
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

    /// The day as the digest tells it.
    pub fn told(&self, place: &Place, demand: &Demand) -> PlaceDay {
        let hours = |minutes: u32| f64::from(minutes) / 60.0;
        PlaceDay {
            id: place.id.clone(),
            name: place.name.clone(),
            temperature: self.temperature.told(),
            humidity: self.humidity.told(),
            vpd: self.deficit.told(),
            vpd_accuracy: self.deficit_accuracy.told().map(|(_, mean, _)| mean),
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
        }
    }
}

/// A tray as the digest tells it, with what is due until `until`.
pub fn tray_day(rules: &Rules, tray: &Tray, at: Timestamp, until: Timestamp) -> TrayDay {
    let stage = tray.stage(at);
    let mut due = Vec::new();
    let mut add = |what: Due, when: Timestamp| {
        if when <= until {
            due.push((what, when));
        }
    };
    if stage == Stage::Germination
        && let Some(off) = tray.weight_off_at()
    {
        add(Due::Unweight, off);
    }
    if stage.covered() {
        add(Due::Light, tray.light_due_at());
    } else {
        add(Due::Harvest, tray.harvest_from());
    }
    TrayDay {
        tray: tray.name.clone(),
        count: tray.count,
        crop: tray.crop.clone(),
        place: rules.place(tray.place).name.clone(),
        stage,
        day: tray.day(at),
        due,
    }
}
