//! What can be wrong with a tank: more goes than plants can use, or the gauge no longer moves.

use crate::alarm::Condition;
use crate::alarm::{Evidence, Harm};
use crate::physics::draw;
use crate::quality::judge::STUCK_ALONE;
use crate::reading::Quantity;
use crate::units::Timestamp;
use crate::watch::tank::{DRAW_HOURS, LEAK_HOURS, TankWatch, Use, hours_span};
use alloc::borrow::ToOwned;

/// Litres an hour a tray can use at most, about 237 mL a day (two half US cups, common
/// practice, no source).
const TRAY_DRAW: f64 = 0.010;
/// What plants may draw where nobody logged trays: sixteen trays a place. Own default.
const UNKNOWN_TRAYS: f64 = 16.0;
/// Over six hours, so many times what plants can use is a leak. Own default.
const SLOW_LEAK: f64 = 1.7;
/// Litres on the floor that are harm. Own default.
const HARMFUL_SPILL: f64 = 5.0;
/// A gauge that stands still with nothing known of the draw is odd after this. Own default.
const STUCK_UNKNOWN_HOURS: f64 = 24.0;
/// And never odd before this: a quiet night is not a stuck float.
const STUCK_LEAST_HOURS: f64 = 6.0;

impl TankWatch {
    /// Litres an hour that plants can use.
    fn expected(&self, known: Use) -> f64 {
        let trays = known.trays.map_or(UNKNOWN_TRAYS * known.places.max(1) as f64, f64::from);
        let plants = TRAY_DRAW * trays.max(1.0);
        // What the pump has brought the trays already, they do not draw a second time.
        let newest = self.points.back().map_or(0.0, |(when, _)| *when);
        let pumped: f64 = self.pulses(newest).iter().map(|(_, litres)| litres).sum();
        let plants = (plants - pumped / 24.0).max(plants / 4.0);
        match self.usual {
            // After a day of listening the tank itself knows best, within what plants can do.
            Some(usual) if self.usual_hours >= 24.0 => usual.clamp(0.02, (plants * 1.5).max(0.02)),
            _ => plants,
        }
    }

    /// More goes than plants can use.
    pub(super) fn leak(&mut self, at: Timestamp, name: &str, known: Use, usable: f64, held: bool) -> Condition {
        let Some(hour) = self.hour else {
            return Condition::Unknown;
        };
        let expected = self.expected(known);
        // Fast: two hours beyond three times what plants can use. Slow: six hours beyond
        // about twice that. Both by the end of the confidence interval that plants like best.
        let hours = self.drift.filter(|_| !held).unwrap_or(hour);
        // A gauge steps by a millimetre or more, and a slope over steps looks surer than it is:
        // what two of its steps would make of a still tank is no leak.
        let seen = |window: f64| (2.0 * self.noise() / window).max(0.1);
        let fast = -hour.high > 3.0 * expected + seen(LEAK_HOURS);
        let slow = -hours.high > SLOW_LEAK * expected + seen(if held { LEAK_HOURS } else { DRAW_HOURS });
        let draw = if fast { -hour.per_hour } else { -hours.per_hour };
        let leaking = fast || slow || (held && draw > 1.3 * expected + 0.1);
        if !leaking {
            self.leak_since = None;
            self.leak_lost = 0.0;
            return Condition::Absent;
        }
        if self.leak_since.is_none() {
            self.leak_since = Some(at);
            self.leak_lost = (draw - expected).max(0.0);
        } else {
            self.leak_lost += (draw - expected).max(0.0) / 60.0;
        }
        let hours_left = ((HARMFUL_SPILL - self.leak_lost) / (draw - expected).max(0.05)).max(0.0);
        let from = at + hours_span(hours_left);
        let empty = self.forecast(at).map(|(_, early, _)| early);
        let early = empty.map_or(from, |empty| empty.min(from));
        let evidence = Evidence::Leak { reservoir: name.to_owned(), draw, expected, lost: self.leak_lost, usable };
        Condition::Present { harm: Some(Harm { from, early }), evidence }
    }

    /// The gauge stands still for longer than the draw allows.
    pub(super) fn stuck(&self, at: Timestamp, name: &str, known: Use, fresh: bool) -> Condition {
        let (Some(since), Some((_, level)), true) = (known.flat_since, self.last_level, fresh) else {
            return Condition::Unknown;
        };
        let flat_hours = (at - since).num_seconds() as f64 / 3600.0;
        let one_step = self.noise() / 2.0;
        let expected = match self.usual.filter(|usual| *usual > 0.005) {
            Some(usual) => usual,
            None => TRAY_DRAW / 2.0 * known.trays.map_or(0.0, f64::from),
        };
        let odd_after = if expected > 0.0 {
            draw::stuck_after_hours(one_step, expected).clamp(STUCK_LEAST_HOURS, STUCK_UNKNOWN_HOURS)
        } else {
            STUCK_UNKNOWN_HOURS
        };
        // A gauge that trembles all the time is known better by its own stillness than by the draw.
        let odd_after = match known.odd_after {
            own if own < STUCK_ALONE => odd_after.min(own.num_minutes() as f64 / 60.0),
            _ => odd_after,
        };
        if flat_hours < odd_after {
            return Condition::Absent;
        }
        // What the float hides: the draw has gone on since it stuck.
        let usable = (level - self.reserve).max(0.0);
        let hidden = if expected > 0.0 { usable / expected - flat_hours } else { 24.0 };
        let from = at + hours_span(hidden.clamp(0.0, 24.0 * 30.0));
        let evidence = Evidence::Stuck { place: name.to_owned(), quantity: Quantity::Volume, value: level };
        Condition::Present { harm: Some(Harm { from, early: from }), evidence }
    }
}
