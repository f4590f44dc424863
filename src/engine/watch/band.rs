//! What the air of a place must hold: the bands of the trays that breathe it, and
//! the limits at which an alarm begins, which lie a tolerance outside the band.

use crate::rules::{BandOverride, PlaceId, Rules};
use crate::units::Timestamp;
use crate::watch::trays::Trays;
use crate::watch::trays::tray::{Stage, Tray};
use alloc::string::String;
use alloc::vec::Vec;

/// Room air wanders past a comfortable band every day without harm; alarms begin this
/// far outside it. Own defaults: three kelvin, fifteen per cent relative humidity.
const TEMPERATURE_TOLERANCE: f64 = 3.0;
const HUMIDITY_TOLERANCE: f64 = 15.0;

/// The band of general practice for a place of which nothing else is known: 18 to
/// 24 °C (seed-house guide, secondary), 40 to 60 % (common practice, no source).
const GENERAL: Band = Band {
    temperature_min: Some(18.0),
    temperature_max: Some(24.0),
    humidity_min: Some(40.0),
    humidity_max: Some(60.0),
};

/// Degrees Celsius and per cent relative humidity; `None`: no limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Band {
    /// Lowest temperature.
    pub temperature_min: Option<f64>,
    /// Highest temperature.
    pub temperature_max: Option<f64>,
    /// Lowest humidity.
    pub humidity_min: Option<f64>,
    /// Highest humidity.
    pub humidity_max: Option<f64>,
}

/// A crop that breathes the air of a place, at one of its stages there.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct CropAtStage {
    /// The crop or blend.
    pub crop: String,
    /// The stage that its trays there are in.
    pub stage: Stage,
}

/// What a place must hold now.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Demand {
    /// Where the trays are comfortable.
    pub band: Band,
    /// Where alarms begin.
    pub limits: Band,
    /// What stands there and breathes the air, each once.
    pub crops: Vec<CropAtStage>,
    /// Nothing grows there.
    pub empty: bool,
    /// No temperature or humidity suits all trays; this one differs most.
    pub clash: Option<String>,
}

/// The places whose trays breathe the air that this place's sensors measure: the
/// place itself, and those inside it that have no sensor of their own.
pub fn served_by(rules: &Rules, place: PlaceId) -> Vec<PlaceId> {
    let measured =
        |id: PlaceId| rules.sensors.iter().any(|sensor| sensor.place == Some(id) && sensor.surface.is_none());
    let served = |inner: PlaceId| {
        let mut next = inner;
        for _ in 0..=rules.places.len() {
            if next == place {
                return true;
            }
            if measured(next) {
                return false;
            }
            match rules.place(next).inside {
                Some(outer) => next = outer,
                None => return false,
            }
        }
        false
    };
    (0..rules.places.len()).map(|index| PlaceId(index as u16)).filter(|id| served(*id)).collect()
}

/// The demand of the trays in `served` at a moment.
pub fn demand(rules: &Rules, place: PlaceId, served: &[PlaceId], trays: &Trays, at: Timestamp) -> Demand {
    let here: Vec<&Tray> = trays.growing().filter(|tray| served.contains(&tray.place)).collect();
    demand_of(rules, place, &here, trays.any_sown(), at)
}

/// The demand of these trays, which breathe the air of `place`; `journal_used`: something
/// was sown on this site once.
pub fn demand_of(rules: &Rules, place: PlaceId, here: &[&Tray], journal_used: bool, at: Timestamp) -> Demand {
    let own = rules.place(place).band;
    if here.is_empty() {
        // Without a journal a place is watched by general practice; with one, an empty
        // rack is nobody's trouble, unless the grower set limits for it.
        let empty = journal_used && own == BandOverride::default();
        let band = if empty { Band::default() } else { GENERAL };
        return Demand { band: with(band, own), limits: with(outside(band), own), empty, ..Demand::default() };
    }
    let (band, clash) = common(here, at);
    let mut crops: Vec<CropAtStage> =
        here.iter().map(|tray| CropAtStage { crop: tray.crop.clone(), stage: tray.stage(at) }).collect();
    crops.sort();
    crops.dedup();
    Demand { band: with(band, own), limits: with(outside(band), own), crops, empty: false, clash }
}

/// Where all trays are comfortable. Covered trays are meant to be wet, so they ask
/// nothing of the room's humidity. Where no temperature suits all, the band is the
/// widest that any tray asks for, and the clash is named.
fn common(here: &[&Tray], at: Timestamp) -> (Band, Option<String>) {
    let mut band = Band::default();
    let mut widest = Band::default();
    for tray in here {
        let light = tray.breathes_room_air(at);
        let figures = &tray.figures;
        let (low, high) = if light {
            (figures.light_temperature_min, figures.light_temperature_max)
        } else {
            (figures.germination_temperature_min, figures.germination_temperature_max)
        };
        band.temperature_min = Some(band.temperature_min.map_or(low, |min| min.max(low)));
        band.temperature_max = Some(band.temperature_max.map_or(high, |max| max.min(high)));
        widest.temperature_min = Some(widest.temperature_min.map_or(low, |min| min.min(low)));
        widest.temperature_max = Some(widest.temperature_max.map_or(high, |max| max.max(high)));
        if light {
            let (low, high) = (figures.light_humidity_min, figures.light_humidity_max);
            band.humidity_min = Some(band.humidity_min.map_or(low, |min| min.max(low)));
            band.humidity_max = Some(band.humidity_max.map_or(high, |max| max.min(high)));
            widest.humidity_min = Some(widest.humidity_min.map_or(low, |min| min.min(low)));
            widest.humidity_max = Some(widest.humidity_max.map_or(high, |max| max.max(high)));
        }
    }
    let crossed = |low: Option<f64>, high: Option<f64>| matches!((low, high), (Some(low), Some(high)) if low > high);
    let mut clash = None;
    if crossed(band.temperature_min, band.temperature_max) {
        band.temperature_min = widest.temperature_min;
        band.temperature_max = widest.temperature_max;
        let warmest = here.iter().max_by(|a, b| {
            let low = |tray: &Tray| {
                if tray.breathes_room_air(at) {
                    tray.figures.light_temperature_min
                } else {
                    tray.figures.germination_temperature_min
                }
            };
            low(a).total_cmp(&low(b))
        });
        clash = warmest.map(|tray| tray.name.clone());
    }
    if crossed(band.humidity_min, band.humidity_max) {
        band.humidity_min = widest.humidity_min;
        band.humidity_max = widest.humidity_max;
        clash = clash.or_else(|| here.last().map(|tray| tray.name.clone()));
    }
    (band, clash)
}

fn outside(band: Band) -> Band {
    Band {
        temperature_min: band.temperature_min.map(|value| value - TEMPERATURE_TOLERANCE),
        temperature_max: band.temperature_max.map(|value| value + TEMPERATURE_TOLERANCE),
        humidity_min: band.humidity_min.map(|value| value - HUMIDITY_TOLERANCE),
        humidity_max: band.humidity_max.map(|value| value + HUMIDITY_TOLERANCE),
    }
}

fn with(band: Band, own: BandOverride) -> Band {
    Band {
        temperature_min: own.temperature_min.or(band.temperature_min),
        temperature_max: own.temperature_max.or(band.temperature_max),
        humidity_min: own.humidity_min.or(band.humidity_min),
        humidity_max: own.humidity_max.or(band.humidity_max),
    }
}
