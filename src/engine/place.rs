//! The air of a place that has a sensor: which sensors measure it, which places breathe it,
//! and what is watched there.

use super::air::{Air, AirWatch};
use super::band::{self, Demand};
use super::climate;
use super::digest::PlaceTally;
use super::rules::{Channel, PlaceId, Rules};
use crate::reading::{ChannelId, Quantity};
use alloc::vec::Vec;

/// The air of one place that has a sensor.
#[derive(Clone, Debug)]
pub(super) struct PlaceWatch {
    pub(super) place: PlaceId,
    pub(super) served: Vec<PlaceId>,
    pub(super) temperatures: Vec<ChannelId>,
    pub(super) humidities: Vec<ChannelId>,
    /// Probes on surfaces, there and in the places it serves.
    pub(super) surfaces: Vec<ChannelId>,
    /// The largest of its sensors': sisters of one make err alike.
    pub(super) accuracy: climate::Accuracy,
    pub(super) demand: Demand,
    pub(super) air: Air,
    pub(super) watch: AirWatch,
    pub(super) day: PlaceTally,
}

/// The watches of a room, all at their beginning.
pub(super) fn watches(rules: &Rules) -> Vec<PlaceWatch> {
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
            air: Air::default(),
            watch: AirWatch::default(),
            day: PlaceTally::default(),
        })
        .filter(|watch| !watch.temperatures.is_empty() || !watch.humidities.is_empty())
        .collect()
}
