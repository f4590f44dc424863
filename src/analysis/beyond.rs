//! How long a limit was passed, and for how long nobody can say.

use super::standing::{SpeaksEvery, standing};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Which side of a limit is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitSide {
    /// Over it.
    Above,
    /// Under it.
    Below,
}

/// How long a limit was passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Beyond {
    /// Time that lay beyond the limit.
    pub beyond: TimeDelta,
    /// The longest time without coming back; a gap in the data ends it.
    pub longest: TimeDelta,
    /// Time for which there are data, beyond the limit or not.
    pub known: TimeDelta,
    /// Time without data, of which nobody can say.
    pub unknown: TimeDelta,
}

/// How long minute means lay beyond a limit: each with when its minute began, ascending,
/// and standing by [`standing`]'s rule. What no minute covers is time without data.
pub fn beyond(
    means: &[(Timestamp, f64)],
    (from, until): (Timestamp, Timestamp),
    rhythm: SpeaksEvery,
    side: LimitSide,
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
    let stands = standing(means.iter().map(|(begins, _)| *begins), (from, until), rhythm);
    for ((begins, ends), (_, mean)) in stands.into_iter().zip(means).filter(|((begins, ends), _)| begins < ends) {
        if begins > stood_until {
            spell = TimeDelta::zero();
        }
        stood_until = ends;
        reported.known += ends - begins;
        let passed = match side {
            LimitSide::Above => *mean > limit,
            LimitSide::Below => *mean < limit,
        };
        if passed {
            reported.beyond += ends - begins;
            spell += ends - begins;
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

    /// A sensor that speaks every so many minutes and is silent after so many.
    fn rhythm(every: i64, silent_after: i64) -> SpeaksEvery {
        SpeaksEvery { every: minutes(every), silent_after: minutes(silent_after) }
    }

    #[test]
    fn minutes_above_a_limit_are_counted_and_time_without_data_is_told_apart() {
        // An hour and a half from 08:00, a reading every ten minutes: 70, 80, 82, 75 (not above
        // it), then silence from 08:30, 90 at 09:10 and 60 at 09:20.
        let begin = at("2026-03-03 08:00");
        let values = [(0, 70.0), (10, 80.0), (20, 82.0), (30, 75.0), (70, 90.0), (80, 60.0)];
        let points: Vec<_> = values.map(|(minute, value)| (begin + minutes(minute), value)).into();
        let reported = beyond(&points, (begin, begin + minutes(90)), rhythm(10, 30), LimitSide::Above, 75.0);
        // Above: 08:10 to 08:30, and 09:10 to 09:20. 75 stands until 08:40; 08:40 to 09:10 nobody knows.
        let expected = Beyond { beyond: minutes(30), longest: minutes(20), known: minutes(60), unknown: minutes(30) };
        assert_eq!(reported, expected);
        let below = beyond(&points, (begin, begin + minutes(90)), rhythm(10, 30), LimitSide::Below, 75.0);
        assert_eq!((below.beyond, below.known), (minutes(20), minutes(60)));
    }

    #[test]
    fn a_gap_ends_a_spell_and_no_data_is_no_minute_below() {
        let begin = at("2026-03-03 08:00");
        let points = [(begin, 80.0), (begin + minutes(60), 80.0)];
        let reported = beyond(&points, (begin, begin + minutes(120)), rhythm(5, 15), LimitSide::Above, 75.0);
        assert_eq!((reported.beyond, reported.longest, reported.unknown), (minutes(10), minutes(5), minutes(110)));
        let nothing = beyond(&[], (begin, begin + minutes(120)), rhythm(5, 15), LimitSide::Below, 75.0);
        assert_eq!((nothing.beyond, nothing.unknown), (minutes(0), minutes(120)));
    }

    #[test]
    fn what_stood_when_the_span_began_counts_and_the_end_of_a_span_is_no_silence() {
        let begin = at("2026-03-03 08:00");
        // Every five minutes, two minutes off the hour.
        let points: Vec<_> = (-1..13).map(|turn| (begin + minutes(turn * 5 + 2), 80.0)).collect();
        let reported = beyond(&points, (begin, begin + minutes(69)), rhythm(5, 15), LimitSide::Above, 75.0);
        assert_eq!((reported.beyond, reported.longest, reported.unknown), (minutes(69), minutes(69), minutes(0)));
    }
}
