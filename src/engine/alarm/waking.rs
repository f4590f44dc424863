//! The waking rule: may this wait until somebody is in the room.

use crate::alarm::evidence::Harm;
use crate::alarm::kinds::Priority;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Harm further off than this is out of sight: no forecast of ours reaches beyond
/// two days, and two or more rounds lie before it. Own default, no source.
const SIGHT: TimeDelta = TimeDelta::hours(48);

/// When somebody must hear of a hazard, given when its harm begins, the present
/// time and the next round. ISA-18.2 asks that priority follow from consequence and
/// time to respond; here the responder is one person asleep.
pub fn priority(harm: Option<Harm>, at: Timestamp, next_round: Timestamp) -> Priority {
    match harm {
        Some(harm) if harm.early <= next_round => Priority::Now,
        Some(harm) if harm.early - at <= SIGHT => Priority::NextRound,
        _ => Priority::Digest,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> Timestamp {
        text.parse().expect("a valid RFC 3339 time in a test")
    }

    #[test]
    fn harm_before_the_next_round_wakes_somebody_and_later_harm_waits() {
        let at = instant("2026-03-04T05:00:00Z");
        let round = instant("2026-03-04T13:00:00Z");
        let harm = |hours: i64| {
            let from = at + TimeDelta::hours(hours);
            Some(Harm { from, early: from })
        };
        assert_eq!(priority(harm(8), at, round), Priority::Now);
        assert_eq!(priority(harm(9), at, round), Priority::NextRound);
        assert_eq!(priority(harm(49), at, round), Priority::Digest);
        assert_eq!(priority(None, at, round), Priority::Digest);
    }
}
