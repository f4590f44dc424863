//! Whose sensors measure the air of a place: its own, or those of the place it lies in.

use crate::engine::physics::climate::HUMIDITY_ACCURACY;
use crate::engine::rules::{PlaceId, Rules};
use crate::reading::{Quantity, SensorId};

/// The place whose sensors measure the air of this one: itself, or the nearest around it
/// that has any. `None`: nobody measures it.
pub(crate) fn measured_at(rules: &Rules, place: PlaceId) -> Option<PlaceId> {
    let mut next = Some(place);
    for _ in 0..=rules.places.len() {
        let place = next?;
        if !own_sensors(rules, place).is_empty() {
            return Some(place);
        }
        next = rules.place(place).inside;
    }
    None
}

/// The sensors whose air a place has, in the order of the settings. Probes on surfaces
/// measure no air.
pub(crate) fn sensors_of(rules: &Rules, place: PlaceId) -> Vec<SensorId> {
    measured_at(rules, place).map(|place| own_sensors(rules, place)).unwrap_or_default()
}

/// The sensors that hang in the air of a place itself.
pub(crate) fn own_sensors(rules: &Rules, place: PlaceId) -> Vec<SensorId> {
    let all = (0..rules.sensors.len()).map(|index| SensorId(index as u16));
    let hangs_here = |sensor: &SensorId| {
        let sensor = rules.sensor(*sensor);
        sensor.place == Some(place) && sensor.surface.is_none()
    };
    all.filter(hangs_here).collect()
}

/// What the hygrometers of a place may be off by, per cent: the worst of them.
pub(super) fn humidity_accuracy(rules: &Rules, place: PlaceId) -> f64 {
    let sensors = sensors_of(rules, place);
    let here = rules
        .channels
        .iter()
        .filter(|channel| channel.quantity == Quantity::Humidity && sensors.contains(&channel.sensor));
    here.map(|channel| channel.accuracy).reduce(f64::max).unwrap_or(HUMIDITY_ACCURACY)
}
