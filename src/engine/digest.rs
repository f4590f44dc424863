//! The day in numbers, and when the next digest is due in local time.

use super::alarm::AlarmChange;
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
}
