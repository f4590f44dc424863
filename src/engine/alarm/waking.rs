//! The waking rule: whether somebody must come before the next round, and when they must hear
//! of it.
//!
//! Whether: hands are needed before the next round when the chance of harm before it is
//! greater than the grower's own `wake_if`. This is the cost-loss rule of forecasting: act
//! when the probability exceeds cost over loss (Thompson 1952, Murphy 1977, from memory).
//! When: people who are awake are told once it is as good as sure, by the letter of the evening
//! where that is in time; of what is less likely, and while they sleep, as late as is safe,
//! so that what ends before that calls nobody.

use crate::alarm::harm::Harm;
use crate::alarm::kinds::Priority;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// People who are awake are told at once of what is as good as sure; of what may not come they are
/// told when it is time, as by then it is known better. Own default.
pub(crate) const AS_GOOD_AS_SURE: f64 = 0.8;
/// More likely than not.
pub(crate) const LIKELY: f64 = 0.5;

/// What the waking rule needs to know of a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// The moment that is asked about.
    pub at: Timestamp,
    /// The next round after it.
    pub next_round: Timestamp,
    /// The round after that.
    pub round_after: Timestamp,
    /// The evening letter, if it comes before the next round.
    pub evening_at: Option<Timestamp>,
    /// People sleep.
    pub asleep: bool,
    /// Hands are needed when harm before the next round is more likely than this, 0 to 1.
    pub wake_if: f64,
    /// A call for them is worth it when it is more likely than this, 0 to 1; no less than `wake_if`.
    pub call_if: f64,
    /// Who is awake is told at once of what is more likely than this, 0 to 1.
    pub sure_from: f64,
    /// From a letter to hands at the rack.
    pub come_within: TimeDelta,
}

impl Moment {
    /// The chance, 0 to 1, that harm begins before the next round.
    pub fn chance(&self, harm: Option<Harm>) -> f64 {
        harm.map_or(0.0, |harm| harm.chance_before(self.next_round))
    }

    /// Somebody must come before the next round.
    pub(crate) fn needs_hands(&self, harm: Option<Harm>) -> bool {
        self.chance(harm) > self.wake_if
    }

    /// Somebody who does not come by then is called.
    pub(crate) fn is_worth_a_call(&self, harm: Option<Harm>) -> bool {
        self.chance(harm) > self.call_if
    }

    /// Harm is there, or nearer than anybody can come: no delay is worth its time.
    pub(crate) fn is_pressing(&self, harm: Option<Harm>) -> bool {
        harm.is_some_and(|harm| harm.early <= self.at + self.come_within) && self.needs_hands(harm)
    }

    /// When somebody must hear of a hazard. `reported`: a letter of this evening has named it, so
    /// that only the last call that is in time is still owed.
    pub fn priority(&self, harm: Option<Harm>, reported: bool) -> Priority {
        let Some(known) = harm else { return Priority::Digest };
        if self.is_worth_a_call(harm) {
            let last_call = known.early - self.come_within;
            let unsure = self.chance(harm) < self.sure_from;
            let may_wait =
                self.asleep || reported || unsure || self.evening_at.is_some_and(|evening| evening < last_call);
            return if self.at >= last_call || !may_wait { Priority::Now } else { Priority::NextRound };
        }
        if known.chance_before(self.round_after) > self.wake_if { Priority::NextRound } else { Priority::Digest }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> Timestamp {
        text.parse().expect("a valid RFC 3339 time in a test")
    }

    fn night(at: &str, asleep: bool, evening: Option<&str>) -> Moment {
        Moment {
            at: instant(at),
            next_round: instant("2026-03-05T13:00:00Z"),
            round_after: instant("2026-03-06T01:00:00Z"),
            evening_at: evening.map(instant),
            asleep,
            wake_if: 0.2,
            call_if: 0.2,
            sure_from: AS_GOOD_AS_SURE,
            come_within: TimeDelta::minutes(45),
        }
    }

    fn harm(early: &str, likely: &str, late: &str) -> Option<Harm> {
        Some(Harm { early: instant(early), likely: instant(likely), late: instant(late) })
    }

    #[test]
    fn the_sleeping_are_called_as_late_as_is_safe() {
        let harm = harm("2026-03-05T08:00:00Z", "2026-03-05T10:00:00Z", "2026-03-05T12:00:00Z");
        assert_eq!(night("2026-03-05T07:14:00Z", true, None).priority(harm, false), Priority::NextRound);
        assert_eq!(night("2026-03-05T07:15:00Z", true, None).priority(harm, false), Priority::Now);
    }

    #[test]
    fn the_waking_are_told_at_once_or_by_the_evening_letter() {
        let evening = Some("2026-03-05T03:00:00Z");
        let late = harm("2026-03-05T08:00:00Z", "2026-03-05T10:00:00Z", "2026-03-05T12:00:00Z");
        let soon = harm("2026-03-05T03:30:00Z", "2026-03-05T04:00:00Z", "2026-03-05T12:00:00Z");
        let dusk = night("2026-03-05T01:30:00Z", false, evening);
        assert_eq!(dusk.priority(late, false), Priority::NextRound, "the evening letter is in time");
        assert_eq!(dusk.priority(soon, false), Priority::Now, "it would come too late");
        let after = night("2026-03-05T03:10:00Z", false, None);
        assert_eq!(after.priority(late, false), Priority::Now, "nobody sleeps yet, and the letter has gone");
        assert_eq!(after.priority(late, true), Priority::NextRound, "it was in that letter");
    }

    #[test]
    fn the_waking_hear_of_what_is_sure_at_once_and_of_the_rest_in_time() {
        let noon = |at: &str| night(at, false, None);
        let unsure = harm("2026-03-05T08:00:00Z", "2026-03-05T11:00:00Z", "2026-03-06T12:00:00Z");
        let sure = harm("2026-03-05T08:00:00Z", "2026-03-05T09:00:00Z", "2026-03-05T12:00:00Z");
        assert_eq!(noon("2026-03-05T06:00:00Z").priority(sure, false), Priority::Now);
        assert_eq!(noon("2026-03-05T06:00:00Z").priority(unsure, false), Priority::NextRound);
        assert_eq!(noon("2026-03-05T07:15:00Z").priority(unsure, false), Priority::Now);
    }

    #[test]
    fn a_chance_of_one_in_five_lets_people_sleep_and_more_does_not() {
        // A fifth of the chance lies a quarter of the way from early to likely.
        let one = harm("2026-03-05T12:00:00Z", "2026-03-05T16:00:00Z", "2026-03-06T12:00:00Z");
        let more = harm("2026-03-05T11:59:00Z", "2026-03-05T16:00:00Z", "2026-03-06T12:00:00Z");
        let last = night("2026-03-05T12:30:00Z", true, None);
        assert_eq!(last.priority(one, false), Priority::NextRound);
        assert_eq!(last.priority(more, false), Priority::Now);
        assert_eq!(last.priority(None, false), Priority::Digest);
    }
}
