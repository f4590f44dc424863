//! Whether a sensor has come to rest: over an hour of readings, how fast it still moves and how
//! far it jumps about. Asked before a reading is taken for what a jar of salt holds.

use crate::physics::slope::{median, theil_sen};
use alloc::vec::Vec;

/// What a sensor said over an hour in which it had settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// The middle of the last quarter of an hour of it.
    pub value: f64,
    /// Readings in the hour.
    pub count: usize,
    /// Between its lowest and its highest reading.
    pub spread: f64,
    /// How fast it still moved, an hour; the robust slope.
    pub per_hour: f64,
}

/// Why an hour is no settled one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NotSettled {
    /// Too little was heard.
    TooFew {
        /// Readings heard.
        count: usize,
        /// Minutes between the first and the last.
        minutes: f64,
    },
    /// It still moves.
    Drifts {
        /// The robust slope, an hour.
        per_hour: f64,
        /// What is allowed.
        limit: f64,
    },
    /// It jumps about.
    Restless {
        /// Between lowest and highest.
        spread: f64,
        /// What is allowed.
        limit: f64,
    },
}

/// How still a value must stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stillness {
    /// Change an hour.
    pub per_hour: f64,
    /// Between lowest and highest within the hour.
    pub spread: f64,
}

impl Stillness {
    /// Of a humidity in a jar, per cent (ours): half a per cent an hour is what a jar that is
    /// nearly there still does.
    pub const HUMIDITY: Stillness = Stillness { per_hour: 0.5, spread: 2.0 };
    /// Of a jar's temperature, kelvin (ours). A sensor 1 K warmer than its salt reads 4 to 5 % low at 75 %.
    pub const TEMPERATURE: Stillness = Stillness { per_hour: 0.5, spread: 1.5 };
}

/// Judges whether an hour of readings (hours, value), in order of time, stood still.
///
/// # Errors
/// It did not, and by how much.
pub fn settled(readings: &[(f64, f64)], allowed: Stillness) -> Result<Settled, NotSettled> {
    let (from, until) = match (readings.first(), readings.last()) {
        (Some(first), Some(last)) => (first.0, last.0),
        _ => (0.0, 0.0),
    };
    let (count, minutes) = (readings.len(), (until - from) * 60.0);
    let too_few = NotSettled::TooFew { count, minutes };
    if count < LEAST_READINGS || minutes.is_nan() || minutes < LEAST_MINUTES {
        return Err(too_few);
    }
    let per_hour = theil_sen(readings).ok_or(too_few)?.per_hour;
    if per_hour.abs() > allowed.per_hour {
        return Err(NotSettled::Drifts { per_hour, limit: allowed.per_hour });
    }
    let (low, high) =
        readings.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, v)| (low.min(*v), high.max(*v)));
    if high - low > allowed.spread {
        return Err(NotSettled::Restless { spread: high - low, limit: allowed.spread });
    }
    let newest: Vec<f64> = readings.iter().filter(|(at, _)| until - at <= 0.25).map(|(_, value)| *value).collect();
    let value = median(&newest).ok_or(too_few)?;
    Ok(Settled { value, count, spread: high - low, per_hour })
}

/// A settled hour has at least this many readings over this many minutes (ours): a device
/// that speaks every ten minutes still has six.
pub const LEAST_READINGS: usize = 6;
/// See [`LEAST_READINGS`].
pub const LEAST_MINUTES: f64 = 45.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(value: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (0..=60).map(|minute| f64::from(minute) / 60.0).map(|hours| (hours, value(hours))).collect()
    }

    #[test]
    fn an_hour_that_stood_still_gives_its_newest_quarter() {
        let found = settled(&hour(|hours| 75.0 + 0.2 * hours), Stillness::HUMIDITY).unwrap();
        assert!((found.value - 75.175).abs() < 0.01 && (found.per_hour - 0.2).abs() < 1e-9, "{found:?}");
        assert!((found.spread - 0.2).abs() < 1e-9 && found.count == 61);
    }

    #[test]
    fn six_readings_are_enough_and_they_may_differ_by_all_that_is_allowed() {
        let every_ten_minutes: Vec<(f64, f64)> = [74.0, 76.0, 74.0, 76.0, 74.0, 74.0]
            .into_iter()
            .zip(0..)
            .map(|(value, at)| (f64::from(at) / 6.0, value))
            .collect();
        let found = settled(&every_ten_minutes, Stillness::HUMIDITY).unwrap();
        assert_eq!((found.count, found.spread, found.per_hour), (6, 2.0, 0.0));
    }

    #[test]
    fn an_hour_that_still_drifts_jumps_about_or_was_hardly_heard_is_refused() {
        let judged = |readings: &[(f64, f64)]| settled(readings, Stillness::HUMIDITY).unwrap_err();
        assert!(matches!(judged(&hour(|hours| 70.0 + hours)), NotSettled::Drifts { limit: 0.5, .. }));
        let restless = judged(&hour(|hours| if (0.4..0.5).contains(&hours) { 60.0 } else { 75.0 }));
        assert_eq!(restless, NotSettled::Restless { spread: 15.0, limit: 2.0 });
        let too_few = |readings: &[(f64, f64)]| match judged(readings) {
            NotSettled::TooFew { count, minutes } => (count, minutes),
            other => panic!("{other:?}"),
        };
        assert_eq!(too_few(&hour(|_| 75.0)[..5]).0, 5);
        let (count, minutes) = too_few(&hour(|_| 75.0)[..30]);
        assert!(count == 30 && (minutes - 29.0).abs() < 1e-9, "{minutes}");
        assert_eq!(too_few(&[]), (0, 0.0));
        assert_eq!(too_few(&hour(|_| f64::NAN)).0, 61);
    }
}
