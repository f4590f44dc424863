//! What the store knows, asked, arranged and drawn: the air of a place or the level of a tank
//! over any span, for `history`, for sheets and copies, and for the charts inside the digest.

pub mod alarms;
pub mod export;
pub(crate) mod formatted;
pub(crate) mod happenings;
pub mod history;
pub(crate) mod known_air;
pub mod series;
pub mod sheet;
pub mod subject;
pub mod trace;

pub use series::{Series, lead, rhythm, series, step_for};

use crate::chart::Chart;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::Band;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;

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
