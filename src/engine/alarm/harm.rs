//! When harm begins if nobody does anything: a distribution in three figures, and what
//! follows from it. The figures are tenths of a chance: early has a tenth of it before it,
//! likely the half, late nine tenths. Between and a little beyond them the chance is taken
//! to grow evenly, which is as much as three figures can say.

use crate::float;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// The share of chance that lies before the early figure, and after the late one.
const TAIL: f64 = 0.1;
/// And so half of it between either and the middle.
const FLANK: f64 = 0.5 - TAIL;
/// Beyond this no forecast of ours is a forecast.
const HORIZON: TimeDelta = TimeDelta::days(30);
/// What lies so much later than the early figure is not foreseen but a stand-in for never.
const FORESEEN: TimeDelta = TimeDelta::days(10);
/// Where half of the chance is foreseen and nine tenths are not, harm comes at all by a chance between
/// the two: their middle.
const COMES_AT_ALL: f64 = 0.7;

/// When harm begins if nobody does anything.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Harm {
    /// A tenth of the chance lies before it.
    pub early: Timestamp,
    /// As likely before it as after it.
    pub likely: Timestamp,
    /// A tenth of the chance lies after it, or harm never comes.
    pub late: Timestamp,
}

impl Harm {
    /// Harm that is there, or begins at a known instant.
    pub(crate) fn certain(at: Timestamp) -> Harm {
        Harm { early: at, likely: at, late: at }
    }

    /// Beyond every forecast: what is written for a figure that will not come.
    pub fn never(at: Timestamp) -> Timestamp {
        at + HORIZON
    }

    /// Hours from `at` to each figure, put in order and held within thirty days.
    pub fn after(at: Timestamp, early: f64, likely: f64, late: f64) -> Harm {
        let span = |hours: f64| {
            let most = HORIZON.num_seconds() as f64;
            TimeDelta::seconds(if hours.is_nan() { most } else { (hours * 3600.0).clamp(0.0, most) } as i64)
        };
        let early = at + span(early);
        let likely = (at + span(likely)).max(early);
        Harm { early, likely, late: (at + span(late)).max(likely) }
    }

    /// The chance, 0 to 1, that harm begins before `until`.
    pub(crate) fn chance_before(&self, until: Timestamp) -> f64 {
        let hours = |from: Timestamp, to: Timestamp| (to - from).num_seconds() as f64 / 3600.0;
        let share = |from: Timestamp, to: Timestamp, below: f64, width: f64| {
            let span = hours(from, to);
            if span <= 0.0 { below + width } else { below + width * hours(from, until) / span }
        };
        if until < self.early {
            // The tail goes on as steeply as the flank beside it.
            let tail = if self.likely > self.early { share(self.early, self.likely, TAIL, FLANK) } else { 0.0 };
            return tail.clamp(0.0, TAIL);
        }
        if until >= self.late {
            let tail = if self.late > self.likely { share(self.likely, self.late, 0.5, FLANK) } else { 1.0 };
            return tail.clamp(1.0 - TAIL, 1.0);
        }
        if until < self.likely {
            return share(self.early, self.likely, TAIL, FLANK);
        }
        if self.late - self.early >= FORESEEN && self.has_likely() {
            // As it came nearer from early to likely, it goes on towards all there is to come.
            let flank = hours(self.early, self.likely).max(f64::MIN_POSITIVE);
            return 0.5 + (COMES_AT_ALL - 0.5) * (1.0 - float::exp(-hours(self.likely, until) / flank));
        }
        share(self.likely, self.late, 0.5, FLANK)
    }

    /// Half of the chance lies within what can be foreseen; else harm more likely never comes.
    pub fn has_likely(&self) -> bool {
        self.likely - self.early < FORESEEN
    }

    /// The sooner of two, figure by figure: either of two hazards does the harm.
    pub fn sooner(self, other: Harm) -> Harm {
        Harm {
            early: self.early.min(other.early),
            likely: self.likely.min(other.likely),
            late: self.late.min(other.late),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(hours: f64) -> Timestamp {
        Timestamp::from_timestamp(1_772_600_000 + (hours * 3600.0) as i64, 0).unwrap()
    }

    #[test]
    fn the_three_figures_are_a_tenth_a_half_and_nine_tenths() {
        let harm = Harm { early: at(4.0), likely: at(10.0), late: at(24.0) };
        for (until, chance) in [(4.0, 0.1), (5.5, 0.2), (10.0, 0.5), (17.0, 0.7), (24.0, 0.9), (0.0, 0.0), (30.0, 1.0)]
        {
            let found = harm.chance_before(at(until));
            assert!((found - chance).abs() < 1e-9, "{found} before {until}, wanted {chance}");
        }
    }

    #[test]
    fn harm_that_may_never_come_is_surer_the_later_somebody_comes() {
        let harm = Harm::after(at(0.0), 1.0, 3.0, f64::INFINITY);
        for (until, chance) in [(3.0, 0.5), (3.2, 0.519), (5.0, 0.626), (9.0, 0.690), (700.0, 0.7)] {
            let found = harm.chance_before(at(until));
            assert!((found - chance).abs() < 1e-3, "{found} before {until}, wanted {chance}");
        }
    }

    #[test]
    fn harm_that_is_there_is_certain_and_harm_of_tomorrow_is_not() {
        let harm = Harm::certain(at(1.0));
        assert_eq!(harm.chance_before(at(1.0)), 1.0);
        assert_eq!(harm.chance_before(at(0.9)), 0.0);
    }

    #[test]
    fn what_lies_beyond_every_forecast_is_not_likely() {
        assert!(!Harm::after(at(0.0), 4.0, f64::INFINITY, f64::INFINITY).has_likely());
        assert!(Harm::after(at(0.0), 4.0, 100.0, f64::INFINITY).has_likely());
    }

    proptest! {
        #[test]
        fn a_chance_grows_with_time_and_stays_one(
            early in 0.0..50.0f64, middle in 0.0..50.0f64, late in 0.0..500.0f64, one in 0.0..600.0f64, more in 0.0..99.0f64
        ) {
            let harm = Harm::after(at(0.0), early, early + middle, early + middle + late);
            let (before, after) = (harm.chance_before(at(one)), harm.chance_before(at(one + more)));
            prop_assert!((0.0..=1.0).contains(&before) && before <= after + 1e-12);
        }
    }
}
