//! How many journal entries are taken from the broker: people write a few an hour, and a
//! tablet that was out of reach hands in a shift's worth at once. What comes faster is a
//! device gone wild, and must not fill the journal, which is kept for good. Pure.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// Entries taken at once. Own default: a shift's worth, ten times over.
const AT_ONCE: i64 = 500;
/// After that one every so often. Own default.
const EVERY_MS: i64 = 2_000;
/// A flood is told this often while it lasts.
const TOLD_EVERY: TimeDelta = TimeDelta::minutes(10);

/// What becomes of an entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Passage {
    /// It is taken.
    Taken,
    /// It is refused, and the flood is told.
    RefusedAndTold,
    /// It is refused; that entries are is told already.
    Refused,
}

/// Lets entries through. A bucket that fills again by the clock.
#[derive(Clone, Debug, Default)]
pub(super) struct EntryGate {
    /// Milliseconds of credit that were used up, as of `at`.
    used_ms: i64,
    at: Timestamp,
    reported_at: Option<Timestamp>,
}

impl EntryGate {
    /// Whether an entry that comes now is taken.
    pub(super) fn pass(&mut self, now: Timestamp) -> Passage {
        let passed = (now - self.at).num_milliseconds().max(0);
        self.at = now;
        self.used_ms = self.used_ms.saturating_sub(passed).max(0);
        if self.used_ms + EVERY_MS <= AT_ONCE * EVERY_MS {
            self.used_ms += EVERY_MS;
            return Passage::Taken;
        }
        if self.reported_at.is_none_or(|reported| (now - reported).abs() >= TOLD_EVERY) {
            self.reported_at = Some(now);
            return Passage::RefusedAndTold;
        }
        Passage::Refused
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shift_at_once_is_taken_and_a_flood_is_bounded_and_told_once() {
        let start: Timestamp = "2026-03-03T17:00:00Z".parse().expect("a time");
        let mut gate = EntryGate::default();
        let flood: Vec<Passage> = (0..12_501).map(|nth| gate.pass(start + TimeDelta::milliseconds(2 * nth))).collect();
        let count = |passage| flood.iter().filter(|found| **found == passage).count();
        assert_eq!(count(Passage::Taken), 512, "500, and one every two seconds of 25");
        assert_eq!(count(Passage::RefusedAndTold), 1);
        assert_eq!(gate.pass(start + TimeDelta::minutes(30)), Passage::Taken, "and people can go on");
    }
}
