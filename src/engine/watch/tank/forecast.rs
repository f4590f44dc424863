//! When the pump will draw air. The steady draw and the pulses of the last day run on.

use super::known::TankWatch;
use crate::alarm::Harm;
use crate::physics::climate::TENTH_OF_LIMITS;
use crate::physics::slope::Slope;
use crate::units::Timestamp;
use alloc::vec::Vec;

/// The waterings of the days to come differ from those of the last by so much, as trays come to the
/// light and are cut: tenths of the chance. Own default.
const PULSE_SPREAD: (f64, f64) = (0.55, 1.5);
/// A leak that has been seen for an hour may run faster by so much. Own default.
const LEAK_WIDENS: f64 = 1.1;
/// So many hours earlier and later than yesterday somebody waters. Own default.
const PULSE_SHIFT: (f64, f64) = (0.25, 2.5);

impl TankWatch {
    /// When the pump draws air. `None`: no measurable draw, or it does already.
    ///
    /// What goes by a leak goes at the rate of the last hour; what plants and pump take goes as
    /// it went in the last day, pulses at their hours.
    pub fn forecast(&self, at: Timestamp) -> Option<Harm> {
        self.forecast_from(at, at)
    }

    /// The same for who is not in the room: a watering that comes while people are at a round until
    /// `hands_until` finds them there, should the pump draw air.
    pub(super) fn forecast_from(&self, at: Timestamp, hands_until: Timestamp) -> Option<Harm> {
        let (when, _) = self.usable().filter(|_| !self.is_at_the_inlet())?;
        let usable = self.usable_of_late()?;
        let now = self.hours(at);
        let unseen = (now - self.hours(when)).clamp(0.0, 48.0);
        let usable = usable - self.steady_draw().unwrap_or(0.0) * unseen;
        let falling = if self.leaking { self.hour } else { self.drift }.filter(Slope::falls);
        let (best, most, least) = match (falling, self.usual) {
            (Some(slope), _) => (-slope.per_hour, -slope.low, -slope.high),
            // Between two waterings the steady draw may not show yet; what was usual still holds.
            (None, Some(usual)) => (usual, usual * 1.5, usual * 0.5),
            (None, None) => (0.0, 0.0, 0.0),
        };
        let mut pulses = self.pulses(now);
        let hands_for = self.hours(hands_until) - now;
        pulses.retain(|(when, _)| *when > hands_for);
        let until = |left: f64, rate: f64, pulse: f64, shift: f64| {
            let moved: Vec<(f64, f64)> =
                pulses.iter().map(|(when, litres)| ((when + shift).max(0.0), litres * pulse)).collect();
            empty_in(left.max(0.0), rate, &moved)
        };
        let likely = until(usable, best, 1.0, 0.0)?;
        // The gauge may read high: then there is less than it says.
        let off = self.accuracy * TENTH_OF_LIMITS;
        let fast = most.min(best * 3.0).max(best) * if self.leaking { LEAK_WIDENS } else { 1.0 };
        let early = until(usable - off, fast, PULSE_SPREAD.1, -PULSE_SHIFT.0).unwrap_or(likely).min(likely);
        let slow = least.max(best / 3.0);
        let late = until(usable + off, slow, PULSE_SPREAD.0, PULSE_SHIFT.1).unwrap_or(likely * 2.0).max(likely);
        Some(Harm::after(at, early, likely, late))
    }
}

/// Hours until `usable` litres are gone at a steady rate and daily pulses; `None` when
/// that lies beyond thirty days.
fn empty_in(usable: f64, rate: f64, pulses: &[(f64, f64)]) -> Option<f64> {
    let mut left = usable;
    let mut hour = 0.0;
    for day in 0..30 {
        for (when, litres) in pulses {
            let when = when + 24.0 * f64::from(day);
            let steady = rate * (when - hour).max(0.0);
            if left <= steady {
                return Some(hour + left / rate);
            }
            left -= steady + litres;
            hour = when;
            if left <= 0.0 {
                return Some(hour);
            }
        }
        if pulses.is_empty() {
            break;
        }
    }
    let hours = (rate > 0.0).then(|| hour + left / rate)?;
    (hours <= 24.0 * 30.0).then_some(hours)
}

#[cfg(test)]
mod tests {
    use super::empty_in;
    use crate::watch::tank::sample::{hears, minute, tank};

    #[test]
    fn a_usual_draw_that_does_not_show_may_run_half_as_fast_again_or_half_as_fast() {
        let mut tank = tank();
        hears(&mut tank, 0..=60, |_| 40.0);
        (tank.drift, tank.usual) = (None, Some(0.2));
        let harm = tank.forecast(minute(60)).expect("it is drawn on");
        let hours = [harm.early, harm.likely, harm.late].map(|at| (at - minute(60)).num_minutes() as f64 / 60.0);
        for (found, wanted) in hours.into_iter().zip([40.0 / 0.3, 40.0 / 0.2, 40.0 / 0.1]) {
            assert!((found - wanted).abs() < 0.5, "{hours:?}");
        }
    }

    #[test]
    fn a_steady_draw_empties_a_tank_by_itself_within_thirty_days_or_never() {
        assert_eq!(empty_in(10.0, 0.5, &[]), Some(20.0));
        assert_eq!(empty_in(359.0, 0.5, &[]), Some(718.0));
        assert_eq!(empty_in(361.0, 0.5, &[]), None, "thirty days are 720 hours");
        assert_eq!(empty_in(10.0, 0.0, &[]), None);
    }

    #[test]
    fn waterings_come_again_each_day_at_their_hour() {
        assert_eq!(empty_in(10.0, 0.0, &[(6.0, 4.0)]), Some(54.0), "the third day's takes the last");
        assert_eq!(empty_in(7.5, 0.0, &[(6.0, 4.0), (18.0, 3.0)]), Some(30.0));
    }

    #[test]
    fn between_two_waterings_the_steady_draw_may_take_the_last() {
        // At six o'clock 3 L have gone steadily and 4 L at once; 3 L last six hours more.
        assert_eq!(empty_in(10.0, 0.5, &[(6.0, 4.0)]), Some(12.0));
    }
}
