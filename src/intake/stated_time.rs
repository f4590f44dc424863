//! What a sensor says about when it measured, and how far that claim is taken.
//! A claim from the future is dropped, one from the past kept: how late is too
//! late is judged by `engine::quality`.

use super::json::Json;
use super::placeholder::is_placeholder;
use crate::units::Timestamp;
use chrono::{DateTime, TimeDelta};

/// Below this a number of seconds is relative to now (RFC 8428, section 4.5.3).
const FIRST_ABSOLUTE_SECOND: f64 = 268_435_456.0;
/// From here on a number is milliseconds: as seconds it would be the year 5138. Own choice.
const FIRST_MILLISECOND: f64 = 1e11;
/// A sensor's clock may run ahead by this much (own default).
const CLOCK_MAY_BE_AHEAD: TimeDelta = TimeDelta::seconds(60);

/// A time that is neither a number nor RFC 3339 with an offset.
#[derive(Debug, PartialEq)]
pub(super) struct Unreadable;

/// The time a payload states. `Ok(None)`: it states none that can be used, so
/// the time of arrival has to do.
pub(super) fn stated(claim: &Json<'_>, arrived: Timestamp) -> Result<Option<Timestamp>, Unreadable> {
    match claim {
        Json::Null => Ok(None),
        Json::Number(seconds) => Ok(from_number(*seconds, arrived)),
        Json::Text(word) if is_placeholder(word) => Ok(None),
        Json::Text(text) => {
            let instant = DateTime::parse_from_rfc3339(text).map_err(|_| Unreadable)?;
            Ok(DateTime::from_timestamp_millis(instant.timestamp_millis()).and_then(|at| not_ahead(at, arrived)))
        }
        _ => Err(Unreadable),
    }
}

/// Seconds or milliseconds of the Unix epoch, or seconds relative to `arrived`.
/// Nought and relative times ahead (an uptime, an unset clock) say nothing.
pub(super) fn from_number(number: f64, arrived: Timestamp) -> Option<Timestamp> {
    let milliseconds = if number >= FIRST_MILLISECOND {
        number
    } else if number >= FIRST_ABSOLUTE_SECOND {
        number * 1000.0
    } else if number < 0.0 {
        arrived.timestamp_millis() as f64 + number * 1000.0
    } else {
        return None;
    };
    // A cast from f64 saturates, and chrono refuses what no calendar reaches.
    DateTime::from_timestamp_millis(milliseconds.round() as i64).and_then(|at| not_ahead(at, arrived))
}

fn not_ahead(at: Timestamp, arrived: Timestamp) -> Option<Timestamp> {
    if at - arrived > CLOCK_MAY_BE_AHEAD { None } else { Some(at.min(arrived)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::borrow::Cow;

    fn arrived() -> Timestamp {
        DateTime::from_timestamp_millis(1_795_600_000_123).expect("a date")
    }

    fn text(claim: &'static str) -> Result<Option<Timestamp>, Unreadable> {
        stated(&Json::Text(Cow::Borrowed(claim)), arrived())
    }

    #[test]
    fn seconds_and_milliseconds_are_told_apart_by_size() {
        let wanted = DateTime::from_timestamp_millis(1_795_599_700_000);
        assert_eq!(from_number(1_795_599_700.0, arrived()), wanted);
        assert_eq!(from_number(1_795_599_700_000.0, arrived()), wanted);
    }

    #[test]
    fn a_clock_a_little_ahead_is_taken_as_now_and_one_far_ahead_is_not_believed() {
        assert_eq!(from_number(1_795_600_002.0, arrived()), Some(arrived()));
        assert_eq!(from_number(1_795_603_600.0, arrived()), None);
        assert_eq!(from_number(2_147_483_648.0, arrived()), None, "after 2038");
        assert_eq!(from_number(1e300, arrived()), None);
    }

    #[test]
    fn a_week_late_stays_a_week_late() {
        let late = arrived() - TimeDelta::days(8);
        assert_eq!(from_number(late.timestamp_millis() as f64, arrived()), Some(late));
    }

    #[test]
    fn small_numbers_are_relative_as_in_rfc_8428_and_an_uptime_is_no_time() {
        assert_eq!(from_number(-30.0, arrived()), Some(arrived() - TimeDelta::seconds(30)));
        assert_eq!(from_number(0.0, arrived()), None);
        assert_eq!(from_number(86_400.0, arrived()), None);
        assert_eq!(from_number(-1e300, arrived()), None);
    }

    #[test]
    fn a_written_time_needs_its_offset() {
        let wanted = DateTime::from_timestamp_millis(1_795_599_700_000);
        assert_eq!(text("2026-11-25T09:41:40Z"), Ok(wanted));
        assert_eq!(text("2026-11-25T03:41:40.000-06:00"), Ok(wanted));
        assert_eq!(text("2026-11-25T09:41:40"), Err(Unreadable));
        assert_eq!(text("yesterday"), Err(Unreadable));
        assert_eq!(stated(&Json::Boolean, arrived()), Err(Unreadable));
    }
}
