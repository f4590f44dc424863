//! The air of a place that has a sensor: which sensors measure it, which places breathe it,
//! and what is watched there.

use crate::alarm::{AlarmKind, Condition};
use crate::physics::climate;
use crate::reading::{ChannelId, Quantity};
use crate::rules::{Channel, PlaceId, Rules};
use crate::watch::air::{AirMinute, AirWatch};
use crate::watch::band::{self, Demand};
use crate::watch::dryout::DryOutWatch;
use crate::watch::place_day::PlaceTally;
use crate::watch::probe::probes;
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::vec::Vec;

/// The air of one place that has a sensor.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct PlaceWatch {
    pub(crate) place: PlaceId,
    pub(crate) served: Vec<PlaceId>,
    pub(crate) temperatures: Vec<ChannelId>,
    pub(crate) humidities: Vec<ChannelId>,
    /// Probes on surfaces, there and in the places it serves.
    pub(crate) surfaces: Vec<ChannelId>,
    /// The largest of its sensors': sisters of one make err alike.
    pub(crate) accuracy: climate::Accuracy,
    pub(crate) demand: Demand,
    pub(crate) air: AirMinute,
    pub(crate) watch: AirWatch,
    pub(crate) day: PlaceTally,
}

/// The watches of a room, all at their beginning.
pub(crate) fn watches(rules: &Rules) -> Vec<PlaceWatch> {
    let channels = |place: PlaceId, quantity: Quantity| {
        let here = |channel: &Channel| {
            let sensor = rules.sensor(channel.sensor);
            channel.quantity == quantity && sensor.place == Some(place) && sensor.surface.is_none()
        };
        let ids = rules.channels.iter().enumerate().filter(|(_, channel)| here(channel));
        ids.map(|(index, _)| ChannelId(index as u16)).collect::<Vec<_>>()
    };
    let surfaces = |served: &[PlaceId]| {
        let there = |channel: &Channel| {
            let sensor = rules.sensor(channel.sensor);
            sensor.surface.is_some() && sensor.place.is_some_and(|place| served.contains(&place))
        };
        let ids = rules.channels.iter().enumerate().filter(|(_, channel)| there(channel));
        ids.map(|(index, _)| ChannelId(index as u16)).collect::<Vec<_>>()
    };
    let worst = |of: &[ChannelId], usual: f64| {
        of.iter().map(|id| rules.channel(*id).accuracy).reduce(f64::max).unwrap_or(usual)
    };
    (0..rules.places.len())
        .map(|index| PlaceId(index as u16))
        .map(|place| {
            let (temperatures, humidities) =
                (channels(place, Quantity::Temperature), channels(place, Quantity::Humidity));
            (place, band::served_by(rules, place), temperatures, humidities)
        })
        .map(|(place, served, temperatures, humidities)| PlaceWatch {
            place,
            surfaces: surfaces(&served),
            served,
            accuracy: climate::Accuracy {
                temperature: worst(&temperatures, climate::TEMPERATURE_ACCURACY),
                humidity: worst(&humidities, climate::HUMIDITY_ACCURACY),
            },
            temperatures,
            humidities,
            demand: Demand::default(),
            air: AirMinute::default(),
            watch: AirWatch::default(),
            day: PlaceTally::default(),
        })
        .filter(|watch| !watch.temperatures.is_empty() || !watch.humidities.is_empty())
        .collect()
}

/// Judges the air of every place. Dry air harms by what it draws from the trays: where their
/// water is known, that says when.
pub(crate) fn minute(places: &mut [PlaceWatch], seen: &Seen<'_>, dryout: &DryOutWatch, judged: &mut Vec<Judged>) {
    for place in places {
        let rules = seen.rules.place(place.place);
        place.air = AirMinute {
            temperature: seen.middle(&place.temperatures),
            humidity: seen.middle(&place.humidities),
            accuracy: place.accuracy,
            at_least: place.humidities.iter().any(|id| seen.judge(*id).pinned(seen.at).at_top()),
        };
        place.day.minute(place.air, &place.demand.band);
        let mut margin: Option<f64> = None;
        for probe in probes(seen, &place.surfaces) {
            if let Some(surface) = probe.surface(&place.air) {
                place.day.surface(probe.on, &surface);
                margin = Some(margin.map_or(surface.margin, |coldest| coldest.min(surface.margin)));
            }
        }
        place.watch.note_margin(seen.at, margin);
        let held = |kind| seen.alarms.is_held(kind, &rules.id);
        place.watch.minute(seen.at, place.air, &place.demand, &rules.name, held, |kind, mut condition| {
            let water = dryout.dry_air_harms(place.place.0);
            if let (AlarmKind::AirTooDry, Condition::Present { harm, .. }, Some(lasts)) = (kind, &mut condition, water)
            {
                *harm = lasts;
            }
            judged.push(Judged::of(Subject::Place(place.place), (kind, condition)));
        });
    }
}
