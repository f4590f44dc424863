//! The air a tray had, as the store knows it: what is handed to `analysis` to live through
//! its life again.

use crate::analysis::lives::Life;
use crate::analysis::place_air::sensors_of;
use crate::analysis::walk::{KnownAir, STEP, Walked, walk};
use crate::engine::physics::slope::median;
use crate::engine::rules::Rules;
use crate::reading::Quantity;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use std::collections::BTreeMap;

/// The steps of a life in which the air of the place where it stood was known.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn known_air(
    reader: &Reader,
    rules: &Rules,
    life: &Life,
    now: Timestamp,
) -> Result<Vec<KnownAir>, StoreError> {
    let mut known = Vec::new();
    for (from, until, place) in life.stays(now) {
        let sensors = sensors_of(rules, place);
        // The middle of its sensors, as the watch itself takes it.
        let middle = |quantity: Quantity| -> Result<BTreeMap<Timestamp, f64>, StoreError> {
            let mut means: BTreeMap<Timestamp, Vec<f64>> = BTreeMap::new();
            for sensor in &sensors {
                for point in reader.history(&rules.sensor(*sensor).id, quantity, from, until, STEP)? {
                    means.entry(point.from).or_default().push(point.mean);
                }
            }
            Ok(means.into_iter().filter_map(|(at, values)| Some((at, median(&values)?))).collect())
        };
        let humidity = middle(Quantity::Humidity)?;
        let temperature = middle(Quantity::Temperature)?;
        known.extend(
            temperature
                .into_iter()
                .filter_map(|(at, celsius)| Some(KnownAir { at, celsius, percent: *humidity.get(&at)? })),
        );
    }
    Ok(known)
}

/// A life lived through again in the air the store has of it.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn walked(reader: &Reader, rules: &Rules, life: &Life, now: Timestamp) -> Result<Walked, StoreError> {
    Ok(walk(rules, life, &known_air(reader, rules, life, now)?, now))
}
