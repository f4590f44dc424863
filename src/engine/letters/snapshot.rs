//! The room now, as plain data: what `now`, `trays` and `alarms` show.

use crate::alarm::AlarmChange;
use crate::letters::digest;
use crate::letters::digest::{ReservoirDay, TrayDay};
use crate::quality::saturation::Pinned;
use crate::units::Timestamp;
use crate::watch::Watches;
use crate::watch::band::CropAtStage;
use crate::watch::place::PlaceWatch;
use crate::watch::probe::probes;
use crate::watch::seen::Seen;
use crate::watch::trays::tray::Tray;
use alloc::borrow::ToOwned;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// The room at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The time all of it is true for.
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
    /// The same trays as the journal left them, in the same order: who writes down what is
    /// done to them needs to know what was done last.
    pub growing: Vec<Tray>,
    /// Every alarm that is not normal.
    pub alarms: Vec<AlarmChange>,
    /// Connected to the broker.
    pub broker_up: bool,
}

/// One place now.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceNow {
    /// The id it has in the settings.
    pub id: String,
    /// The name the grower gave it in the settings.
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
    pub accuracy: crate::physics::climate::Accuracy,
    /// A hygrometer stands at the top of its scale: the air is at least so damp.
    pub at_least: bool,
    /// Probes on surfaces there.
    pub surfaces: Vec<SurfaceNow>,
    /// Mold pressure of the tray in light that is furthest on.
    pub mold: Option<crate::watch::mold::Pressure>,
    /// Temperature low and high, humidity low and high of the band; `None`: no limit.
    pub band: [Option<f64>; 4],
    /// What stands there, each crop and stage once.
    pub crops: Vec<CropAtStage>,
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
    pub surface: Option<crate::physics::surface::Surface>,
}

/// One sensor now.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorNow {
    /// The id it has in the settings.
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
    pub pinned: crate::quality::saturation::Pinned,
    /// Its echo should be corrected for the warmth of the air, and could not be.
    pub uncorrected: bool,
    /// When it was last calibrated, if the settings say so.
    pub calibrated: Option<chrono::NaiveDate>,
}

/// The room at the moment that is seen.
pub(crate) fn of(seen: &Seen<'_>, watches: &Watches, next_round: Timestamp, alarms: Vec<AlarmChange>) -> Snapshot {
    let (at, rules) = (seen.at, seen.rules);
    let until = at + TimeDelta::days(2);
    let sensors = watches.sensors.iter().zip(&rules.sensors).map(|(watch, sensor)| SensorNow {
        id: sensor.id.clone(),
        place: digest::place_of(rules, sensor),
        last_believed: watch.last_believed(),
        silent: watch.is_silent(at),
        refused: watch.day().refused.values().sum(),
        pinned: seen
            .judges_of(watch.sensor())
            .map(|judge| judge.pinned(at))
            .find(|pinned| *pinned != Pinned::No)
            .unwrap_or(Pinned::No),
        uncorrected: seen.judges_of(watch.sensor()).any(|judge| judge.is_uncorrected(at)),
        calibrated: rules
            .channels
            .iter()
            .filter(|channel| channel.sensor == watch.sensor())
            .filter_map(|channel| channel.calibrated)
            .max(),
    });
    Snapshot {
        at,
        next_round,
        places: watches.places.iter().map(|place| place_now(seen, watches, place)).collect(),
        reservoirs: digest::reservoirs(seen, watches),
        sensors: sensors.collect(),
        trays: digest::trays(seen, watches, until),
        growing: seen.trays.growing().cloned().collect(),
        alarms,
        broker_up: watches.site.broker_lost_at.is_none(),
    }
}

fn place_now(seen: &Seen<'_>, watches: &Watches, place: &PlaceWatch) -> PlaceNow {
    let rules = seen.rules.place(place.place);
    let band = &place.demand.band;
    let probes = probes(seen, &place.surfaces);
    PlaceNow {
        id: rules.id.clone(),
        name: rules.name.clone(),
        temperature: place.air.temperature,
        humidity: place.air.humidity,
        deficit: place.air.deficit(),
        mold: watches.growing.pressure(seen, place),
        deficit_accuracy: place.air.deficit_accuracy(),
        dew_point: place.air.dew_point(),
        dew_point_accuracy: place.air.dew_point_accuracy(),
        accuracy: place.accuracy,
        at_least: place.air.at_least,
        surfaces: probes
            .iter()
            .map(|probe| SurfaceNow { on: probe.on.to_owned(), surface: probe.surface(&place.air) })
            .collect(),
        band: [band.temperature_min, band.temperature_max, band.humidity_min, band.humidity_max],
        crops: place.demand.crops.clone(),
        empty: place.demand.empty,
        clash: place.demand.clash.clone(),
    }
}
