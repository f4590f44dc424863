//! The day in numbers: what the digest tells, and how it is gathered minute by minute.

use super::air::Air;
use super::alarm::AlarmChange;
use super::band::{Band, Demand};
use super::gathered::{Cut, Expected, Lost};
use super::risk::condensation::Surface;
use super::rules::{Place, Rules};
use super::thermal::{ThermalClocks, Warmth};
use super::tray::{Stage, Tray, Trays};
use crate::journal::Loss;
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::{NaiveDate, TimeDelta};

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
    /// The waterings of one day, if any tray wants water by hand.
    pub water: Option<WaterDue>,
    /// Trays under cover that are misted by hand, all alike counted.
    pub mist: u32,
    /// What was cut, as told in the span, in the order of telling.
    pub cuts: Vec<Cut>,
    /// Trays thrown away in the last seven days, by reason, most first.
    pub losses: Vec<(Loss, u32)>,
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

/// A reservoir over the digest's span.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirDay {
    /// The id.
    pub id: String,
    /// The name.
    pub name: String,
    /// Litres above the pump inlet now.
    pub usable: Option<f64>,
    /// What that may be off by, as good as the gauge is, litres.
    pub usable_accuracy: Option<f64>,
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
    /// When its stage should have ended, if it is overdue.
    pub overdue: Option<Timestamp>,
    /// Under cover with no look logged for too long: since when.
    pub unseen_since: Option<Timestamp>,
    /// Its second clock.
    pub warmth: Warmth,
    /// What it should give, the whole lot.
    pub expected: Expected,
}

/// The waterings of one day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterDue {
    /// Trays in light, all alike counted.
    pub trays: u32,
    /// Millilitres each gets at a time, where all get the same.
    pub ml_each: Option<f64>,
    /// Litres in all, over the day.
    pub litres: f64,
}

/// Waterings a day (common practice, no source).
pub const WATERINGS_A_DAY: f64 = 2.0;
/// Millilitres a tray at a time where none were logged: half a US cup (common practice, no source).
const USUAL_WATER_ML: f64 = 118.0;
/// Losses are told for so long.
const LOSSES_TOLD: TimeDelta = TimeDelta::days(7);

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

impl Due {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Due::Unweight => "unweight",
            Due::Light => "light",
            Due::Harvest => "harvest",
        }
    }

    /// What [`Due::word`] gave.
    pub fn from_word(word: &str) -> Option<Due> {
        [Due::Unweight, Due::Light, Due::Harvest].into_iter().find(|due| due.word() == word)
    }
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
    /// Minutes wet and damp of each surface.
    surfaces: BTreeMap<String, (u32, u32)>,
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

    /// One minute of a surface with a probe on it.
    pub fn surface(&mut self, on: &str, surface: &Surface) {
        if !self.surfaces.contains_key(on) {
            self.surfaces.insert(on.to_owned(), (0, 0));
        }
        if let Some((wet, damp)) = self.surfaces.get_mut(on) {
            *wet += u32::from(surface.condenses());
            *damp += u32::from(surface.is_damp());
        }
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

/// A tray as the digest tells it, with what is due until `until`.
pub fn tray_day(
    rules: &Rules,
    trays: &Trays,
    warmth: &ThermalClocks,
    tray: &Tray,
    at: Timestamp,
    until: Timestamp,
) -> TrayDay {
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
        overdue: tray.overdue(at),
        unseen_since: tray.unseen_since(at, rules.site.look_within),
        warmth: warmth.of(tray),
        expected: trays.expected(tray),
    }
}

/// What water the trays in light want in a day. Trays that a pump waters and for which no
/// watering was ever logged want none by hand.
pub fn water_due(rules: &Rules, trays: &Trays, at: Timestamp) -> Option<WaterDue> {
    let pumped = |tray: &Tray| rules.reservoirs.iter().any(|tank| rules.waters(tank, tray.place));
    let by_hand =
        trays.growing().filter(|tray| !tray.stage(at).covered() && (tray.watered_at.is_some() || !pumped(tray)));
    let wants: Vec<(u32, f64)> = by_hand.map(|tray| (tray.count, tray.watered_ml.unwrap_or(USUAL_WATER_ML))).collect();
    let (_, first) = *wants.first()?;
    let ml: f64 = wants.iter().map(|(count, ml)| f64::from(*count) * ml).sum();
    Some(WaterDue {
        trays: wants.iter().fold(0, |sum, (count, _)| sum.saturating_add(*count)),
        ml_each: wants.iter().all(|(_, ml)| *ml == first).then_some(first),
        litres: ml * WATERINGS_A_DAY / 1000.0,
    })
}

/// Trays under cover that have been misted before, all alike counted.
pub fn mist_due(trays: &Trays, at: Timestamp) -> u32 {
    let misted = trays.growing().filter(|tray| tray.stage(at).covered() && tray.misted_at.is_some());
    misted.fold(0, |sum, tray| sum.saturating_add(tray.count))
}

/// Trays lost within a week before `at`, by reason, most first.
pub fn week_of_losses(losses: &[Lost], at: Timestamp) -> Vec<(Loss, u32)> {
    let mut by_reason: BTreeMap<&'static str, (Loss, u32)> = BTreeMap::new();
    for lost in losses.iter().filter(|lost| lost.at <= at && at - lost.at < LOSSES_TOLD) {
        let (_, trays) = by_reason.entry(lost.reason.word()).or_insert((lost.reason, 0));
        *trays = trays.saturating_add(lost.trays);
    }
    let mut week: Vec<(Loss, u32)> = by_reason.into_values().collect();
    week.sort_by_key(|(_, trays)| core::cmp::Reverse(*trays));
    week
}
