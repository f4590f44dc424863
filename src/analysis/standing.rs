//! For how long a minute's mean stands: the one rule by which hours are counted, in
//! `history`, in the record and wherever a limit was passed.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// How the sensors of a series speak: the slowest of them where there are several.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SpeaksEvery {
    /// How often one should speak.
    pub every: TimeDelta,
    /// After how long without a word it counts as silent.
    pub silent_after: TimeDelta,
}

impl SpeaksEvery {
    /// The slowest of several sensors, each with how often it should speak and when it
    /// counts as silent; a minute of none.
    pub(crate) fn of_slowest(sensors: impl Iterator<Item = (TimeDelta, TimeDelta)>) -> SpeaksEvery {
        let least = TimeDelta::minutes(1);
        let slowest =
            sensors.fold((least, least), |slowest, (every, silent)| (every.max(slowest.0), silent.max(slowest.1)));
        SpeaksEvery { every: slowest.0, silent_after: slowest.1.max(slowest.0) }
    }
}

/// From when until when each of some minutes stands within a span: until the next one, but
/// before a silence only for as long as the sensor's pace. The minutes are ascending; one
/// from before the span counts with what reaches into it, so ask for `silent_after` more.
pub fn standing(
    begins: impl IntoIterator<Item = Timestamp>,
    (from, until): (Timestamp, Timestamp),
    rhythm: SpeaksEvery,
) -> Vec<(Timestamp, Timestamp)> {
    let mut begins = begins.into_iter().peekable();
    let mut stands = Vec::new();
    while let Some(begin) = begins.next() {
        let next = begins.peek().copied();
        let ends = match next {
            Some(next) if next - begin <= rhythm.silent_after => next,
            // The last: it is not silent yet while the next word may still come.
            None if until - begin <= rhythm.silent_after => until,
            _ => begin + rhythm.every,
        };
        stands.push((begin.clamp(from, until), ends.clamp(from, until)));
    }
    stands
}
