//! Figures and pictures from the store: the air of a place or the level of a tank over
//! any span, for `history` and for the charts inside the digest.

pub mod alarms;
pub mod export;
pub mod happenings;
pub mod history;
pub mod known_air;
pub mod formatted;
pub mod trace;
pub mod sheet;

use crate::chart::Chart;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::Band;
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

/// How long a reading of this series stands: two and a half times as long as the slowest of
/// its sensors should take to speak again. Own default.
pub fn holds(rules: &Rules, series: &Series) -> TimeDelta {
    let every = rules.sensors.iter().filter(|sensor| series.sensor.split(", ").any(|id| id == sensor.id));
    let slowest = every.map(|sensor| sensor.every).max().unwrap_or(TimeDelta::minutes(1));
    (slowest * 5 / 2).max(TimeDelta::minutes(1))
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

/// A chart of some series, temperature first. `band`: temperature low and high, humidity
/// low and high.
pub fn chart(
    rules: &Rules,
    title: &str,
    series: &[Series],
    from: Timestamp,
    until: Timestamp,
    band: [Option<f64>; 4],
) -> Chart {
    let asked =
        Band { temperature_min: band[0], temperature_max: band[1], humidity_min: band[2], humidity_max: band[3] };
    let named: Vec<(String, Series)> = series.iter().map(|series| (series.sensor.clone(), series.clone())).collect();
    history::chart(rules, title.to_owned(), &named, &[(from, until, asked)], (from, until))
}

/// The chart of one place's day for the digest: its first thermometer and hygrometer.
///
/// # Errors
/// When the store cannot be read.
pub fn place_day(
    reader: &Reader,
    rules: &Rules,
    place: PlaceId,
    from: Timestamp,
    until: Timestamp,
    band: [Option<f64>; 4],
) -> Result<Chart, StoreError> {
    let place = rules.place(place);
    let mut all = series(reader, rules, &place.id, from, until, step_for(from, until))?;
    let mut seen = Vec::new();
    all.retain(|series| {
        let first = !seen.contains(&series.quantity);
        seen.push(series.quantity);
        first
    });
    let mut chart = chart(rules, &place.name, &all, from, until, band);
    chart.nights = history::nights(rules, from, until);
    Ok(chart)
}
