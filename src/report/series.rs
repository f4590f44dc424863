//! One quantity over a span, in steps that suit it.

use crate::analysis::standing::SpeaksEvery;
use crate::engine::rules::Rules;
use crate::reading::Quantity;
use crate::store::{HistoryPoint, Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// More points than this no eye tells apart on a page.
const MOST_POINTS: i64 = 720;

/// One quantity over a span, in even steps.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// The sensor's id.
    pub sensor: String,
    /// What it reports. A reservoir's quantity is always [`Quantity::Volume`]: litres are believed.
    pub quantity: Quantity,
    /// The steps that hold data.
    pub points: Vec<HistoryPoint>,
    /// The length of a step.
    pub step: TimeDelta,
}

/// How the sensors of this series speak.
pub fn rhythm(rules: &Rules, series: &Series) -> SpeaksEvery {
    let own = rules.sensors.iter().filter(|sensor| series.sensor.split(", ").any(|id| id == sensor.id));
    SpeaksEvery::of_slowest(own.map(|sensor| (sensor.every, sensor.silent_after)))
}

/// How much earlier than a span to ask, so that what stood when it began is known.
pub fn lead(rules: &Rules) -> TimeDelta {
    rules.sensors.iter().map(|sensor| sensor.silent_after).max().unwrap_or_default()
}

/// The step that suits a span: whole minutes, at most [`MOST_POINTS`] of them.
pub fn step_for(from: Timestamp, until: Timestamp) -> TimeDelta {
    let minutes = (until - from).num_minutes().max(1);
    let least = (minutes + MOST_POINTS - 1) / MOST_POINTS;
    let round = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440];
    TimeDelta::minutes(round.into_iter().find(|step| *step >= least).unwrap_or(1440))
}

/// Every series of a place, a sensor or a reservoir, by its id. Empty: there is no such thing.
///
/// # Errors
/// When the store cannot be read.
pub fn series(
    reader: &Reader,
    rules: &Rules,
    id: &str,
    from: Timestamp,
    until: Timestamp,
    step: TimeDelta,
) -> Result<Vec<Series>, StoreError> {
    let mut all = Vec::new();
    for channel in &rules.channels {
        let sensor = rules.sensor(channel.sensor);
        let in_place = sensor.place.is_some_and(|place| rules.place(place).id == id);
        // A window is no air of the place; its probe is found by its own id.
        if sensor.id != id && (!in_place || sensor.surface.is_some()) {
            continue;
        }
        let points = reader.history(&sensor.id, channel.quantity, from, until, step)?;
        let quantity = if sensor.reservoir.is_some() { Quantity::Volume } else { channel.quantity };
        all.push(Series { sensor: sensor.id.clone(), quantity, points, step });
    }
    Ok(all)
}
