//! How long a limit was passed, and for how long nobody can say.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// Which side of a limit is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Over it.
    Above,
    /// Under it.
    Below,
}

/// How long a limit was passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Beyond {
    /// Beyond the limit.
    pub beyond: TimeDelta,
    /// The longest time without coming back; a gap in the data ends it.
    pub longest: TimeDelta,
    /// With data.
    pub known: TimeDelta,
    /// Without data: nobody can say.
    pub unknown: TimeDelta,
}

/// How long minute means lay beyond a limit: each with when its minute began, ascending. A
/// value stands until the next one, but no longer than `holds`; what comes after is time
/// without data.
pub fn beyond(
    means: &[(Timestamp, f64)],
    (from, until): (Timestamp, Timestamp),
    holds: TimeDelta,
    side: Side,
    limit: f64,
) -> Beyond {
    let mut reported = Beyond {
        beyond: TimeDelta::zero(),
        longest: TimeDelta::zero(),
        known: TimeDelta::zero(),
        unknown: TimeDelta::zero(),
    };
    let mut spell = TimeDelta::zero();
    let mut stood_until = from;
    for (index, (begins, mean)) in means.iter().copied().enumerate() {
        let next = means.get(index + 1).map_or(until, |next| next.0);
        let stands = (next - begins).min(holds).max(TimeDelta::zero());
        if begins > stood_until {
            spell = TimeDelta::zero();
        }
        stood_until = begins + stands;
        reported.known += stands;
        let passed = match side {
            Side::Above => mean > limit,
            Side::Below => mean < limit,
        };
        if passed {
            reported.beyond += stands;
            spell += stands;
            reported.longest = reported.longest.max(spell);
        } else {
            spell = TimeDelta::zero();
        }
    }
    reported.unknown = (until - from - reported.known).max(TimeDelta::zero());
    reported
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::at;

    fn minutes(count: i64) -> TimeDelta {
        TimeDelta::minutes(count)
    }

    #[test]
    fn minutes_above_a_limit_are_counted_and_time_without_data_is_told_apart() {
        // An hour and a half from 08:00, a reading every ten minutes, each standing for at most 25:
        // 70, 80, 82, 75 (not above it), then silence from 08:30, 90 at 09:10 and 60 at 09:20.
        let begin = at("2026-03-03 08:00");
        let values = [(0, 70.0), (10, 80.0), (20, 82.0), (30, 75.0), (70, 90.0), (80, 60.0)];
        let points: Vec<_> = values.map(|(minute, value)| (begin + minutes(minute), value)).into();
        let reported = beyond(&points, (begin, begin + minutes(90)), minutes(25), Side::Above, 75.0);
        // Above: 08:10 to 08:30, and 09:10 to 09:20. 75 stands until 08:55; 08:55 to 09:10 nobody knows.
        let expected = Beyond { beyond: minutes(30), longest: minutes(20), known: minutes(75), unknown: minutes(15) };
        assert_eq!(reported, expected);
        let below = beyond(&points, (begin, begin + minutes(90)), minutes(25), Side::Below, 75.0);
        assert_eq!((below.beyond, below.known), (minutes(20), minutes(75)));
    }

    #[test]
    fn a_gap_ends_a_spell_and_no_data_is_no_minute_below() {
        let begin = at("2026-03-03 08:00");
        let points = [(begin, 80.0), (begin + minutes(60), 80.0)];
        let reported = beyond(&points, (begin, begin + minutes(120)), minutes(5), Side::Above, 75.0);
        assert_eq!((reported.beyond, reported.longest, reported.unknown), (minutes(10), minutes(5), minutes(110)));
        let nothing = beyond(&[], (begin, begin + minutes(120)), minutes(5), Side::Below, 75.0);
        assert_eq!((nothing.beyond, nothing.unknown), (minutes(0), minutes(120)));
    }
}
