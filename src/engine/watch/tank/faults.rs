//! What can be wrong with a tank: more goes than plants can use, or the gauge no longer moves.

use crate::alarm::Condition;
use crate::alarm::{Evidence, Harm};
use crate::physics::draw::{self, Point};
use crate::physics::slope::median;
use crate::quality::judge::STUCK_ALONE;
use crate::reading::Quantity;
use crate::units::Timestamp;
use crate::watch::tank::drawn::{SETTLED_HOURS, scatter};
use crate::watch::tank::{Sudden, TankWatch, Use};
use alloc::borrow::ToOwned;
use alloc::vec::Vec;

/// Litres an hour a tray can use at most, about 237 mL a day (two half US cups, common
/// practice, no source).
const TRAY_DRAW: f64 = 0.010;
/// What plants may draw where nobody logged trays: sixteen trays a place. Own default.
const UNKNOWN_TRAYS: f64 = 16.0;
/// Beyond so many times what is expected, and so many litres an hour, water is lost. Own defaults.
const ALLOWED_SHARE: f64 = 1.5;
const ALLOWED_MORE: f64 = 0.1;
/// So many litres an hour beyond what is expected are told without waiting for the sum. Own default.
const FAST_LEAK: f64 = 0.6;
/// And the more a gauge scatters the more, in deviations of its half hours. Own default.
const FAST_DEVIATIONS: f64 = 4.0;
/// The sum looks back over this long; six points of five minutes are one of its steps.
const LEAK_TEST_HOURS: f64 = 12.0;
const BLOCK_POINTS: usize = 6;
/// Half of one of its steps.
const BLOCK_HALF_HOURS: f64 = 0.25;
/// A hole in the data this long begins the sum anew.
const GAP_HOURS: f64 = 0.5;
/// How many deviations of a half hour's level the sum may reach in a still tank. Own default.
const LIMIT_DEVIATIONS: f64 = 8.0;
/// Nothing less is worth a call, litres. Own default.
const LEAST_LEAK: f64 = 0.5;
/// No gauge is better than this share of its tank. Own default.
const LEAST_DEVIATION: f64 = 0.0005;
/// A sudden fall must stand for so many minutes.
const SUDDEN_SURE: usize = 3;
/// It is told for so long, or until somebody says where the water went. Own default.
const SUDDEN_TOLD_FOR: chrono::TimeDelta = chrono::TimeDelta::hours(12);
/// A watering in the log explains what goes within this, hours. Own default.
const SUDDEN_EXPLAINED_HOURS: f64 = 1.0;
/// Litres a tray is given at a time at most (common practice, no source).
const TRAY_WATERING: f64 = 0.25;
/// Before two days were watched, nothing less than this share of the tank is a sudden fall. Own default.
const UNKNOWN_PULSE: f64 = 0.25;
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

    /// More goes than plants can use, or a great deal went at once and nobody wrote down why.
    pub(super) fn leak(&mut self, at: Timestamp, name: &str, known: Use, usable: f64, held: bool) -> Condition {
        self.look_for_a_sudden_fall(at, known);
        if let Some(sudden) = self.sudden {
            let evidence = Evidence::Leak {
                reservoir: name.to_owned(),
                draw: self.hour.map_or(0.0, |hour| (-hour.per_hour).max(0.0)),
                expected: self.expected(known),
                lost: sudden.litres,
                sudden_minutes: Some(sudden.minutes),
                usable,
            };
            return Condition::Present { harm: Some(Harm::certain(sudden.at)), evidence };
        }
        let expected = self.expected(known);
        let allowed = ALLOWED_SHARE * expected + ALLOWED_MORE;
        let Some(found) = self.leak_test(allowed) else {
            self.leaking = false;
            return Condition::Unknown;
        };
        // What has stood still for the newest hour is a leak no more, however much went before.
        let draw = found.draw.max(0.0);
        let runs_on = draw > expected + (allowed - expected) / 2.0;
        // Where even the slow end of the last two hours' slope is beyond all plants, no sum is needed.
        let fast =
            self.hour.is_some_and(|hour| -hour.high > 3.0 * expected + FAST_LEAK + FAST_DEVIATIONS * found.deviation);
        self.leaking = (found.proven || fast || held) && runs_on;
        let lost = found.lost.max(0.0);
        let evidence =
            Evidence::Leak { reservoir: name.to_owned(), draw, expected, lost, sudden_minutes: None, usable };
        if !self.leaking {
            return super::gone(held, &evidence);
        }
        let more = (draw - expected).max(0.05);
        let in_hours = |litres: f64, rate: f64| ((litres - lost) / rate).max(0.0);
        let harm = Harm::after(
            at,
            in_hours(HARMFUL_SPILL * 0.7, more * 1.3),
            in_hours(HARMFUL_SPILL, more),
            in_hours(HARMFUL_SPILL * 1.4, more * 0.7),
        );
        let harm = self.forecast(at).map_or(harm, |empty| harm.sooner(empty));
        Condition::Present { harm: Some(harm), evidence }
    }

    /// A large fall within half an hour that no log explains: water on a floor with mains.
    fn look_for_a_sudden_fall(&mut self, at: Timestamp, known: Use) {
        if let Some(sudden) = self.sudden {
            let low = self.minutes.iter().map(|(_, litres)| *litres).fold(f64::INFINITY, f64::min);
            let filled = self.minutes.back().is_some_and(|(_, now)| now - low > 6.0 * self.noise());
            if filled || at - sudden.at > SUDDEN_TOLD_FOR {
                self.sudden = None;
                self.minutes.clear();
            }
            return;
        }
        let newest: Vec<f64> = self.minutes.iter().rev().take(SUDDEN_SURE).map(|(_, litres)| *litres).collect();
        let explained = self.rounds.last().is_some_and(|round| self.hours(at) - round.1 < SUDDEN_EXPLAINED_HOURS);
        if newest.len() < SUDDEN_SURE || explained {
            return;
        }
        let now = newest.iter().copied().fold(f64::MIN, f64::max);
        let before: Vec<(Timestamp, f64)> =
            self.minutes.iter().copied().take(self.minutes.len() - SUDDEN_SURE).collect();
        // A single echo that read high makes no fall: the middle of any three minutes does.
        let highest = before.windows(3).filter_map(|three| {
            let level = median(&[three[0].1, three[1].1, three[2].1])?;
            Some((three[2].0, level))
        });
        let Some((from, level)) = highest.max_by(|a, b| a.1.total_cmp(&b.1)) else { return };
        let watering = known.trays.map_or(0.0, |trays| f64::from(trays) * TRAY_WATERING);
        let usual = match self.largest_pulse(self.hours(at)) {
            Some(pulse) => 2.0 * pulse.max(watering),
            None => (2.0 * watering).max(self.capacity * UNKNOWN_PULSE),
        };
        let litres = level - now;
        if litres > usual.max(HARMFUL_SPILL) {
            let since = before.iter().rev().find(|(_, was)| level - was < 0.2 * litres).map_or(from, |(when, _)| *when);
            self.sudden = Some(Sudden { at, litres, minutes: (at - since).num_minutes().max(1) });
        }
    }

    /// A cumulative sum (Page 1954, from memory) of what goes beyond what is allowed, over half
    /// hours without steps since the last gap or refill. How often it calls a still tank leaking
    /// is played in `tests/season`; for a gauge that scatters by 3 mm that is still too often.
    fn leak_test(&self, allowed: f64) -> Option<LeakTest> {
        let newest = self.points.back()?.0;
        let mut from = self.quiet_from.max(newest - LEAK_TEST_HOURS);
        let points: Vec<Point> = self.points.iter().copied().collect();
        for pair in points.windows(2) {
            if pair[1].0 - pair[0].0 > GAP_HOURS {
                from = from.max(pair[1].0);
            }
        }
        let begin = points.partition_point(|(when, _)| *when < from);
        // A step taken out by a size that is a little wrong, many times over, is a leak that is
        // none: the level stays as it was heard, and a pair with a step in it tells nothing.
        let mut level: Vec<Point> = points[begin..].to_vec();
        level.retain(|(when, _)| !self.rounds.iter().any(|round| round.0 < *when && *when < round.1 + SETTLED_HOURS));
        // Half hours counted back from now, so that the newest is whole.
        let blocks: Vec<(f64, f64)> = level
            .rchunks(BLOCK_POINTS)
            .filter(|block| block.len() == BLOCK_POINTS)
            .filter_map(|block| {
                let litres: Vec<f64> = block.iter().map(|(_, litres)| *litres).collect();
                Some((block[BLOCK_POINTS / 2].0, median(&litres)?))
            })
            .collect();
        let blocks: Vec<(f64, f64)> = blocks.into_iter().rev().collect();
        let last = blocks.last()?;
        let before = blocks.len().checked_sub(3).map(|index| blocks[index])?;
        let deviation = block_deviation(&level).max(self.capacity * LEAST_DEVIATION);
        let limit = (LIMIT_DEVIATIONS * deviation).max(LEAST_LEAK);
        let (mut sum, mut lost): (f64, f64) = (0.0, 0.0);
        // A watering falls within two half hours, a leak goes on into a third.
        let mut largest = [0.0_f64; 3];
        let mut proven = false;
        for pair in blocks.windows(2) {
            let hours = pair[1].0 - pair[0].0;
            let fell = pair[0].1 - pair[1].1;
            let near = (pair[0].0 - BLOCK_HALF_HOURS, pair[1].0 + BLOCK_HALF_HOURS);
            if self.steps.iter().any(|step| near.0 < step.hours && step.hours < near.1) {
                continue;
            }
            sum += fell - allowed * hours;
            lost += fell;
            if sum <= 0.0 {
                (sum, lost, largest) = (0.0, 0.0, [0.0; 3]);
            } else if fell > largest[2] {
                largest[2] = fell;
                largest.sort_by(|one, other| other.total_cmp(one));
            }
            proven |= sum > limit && largest[2] > (allowed * hours).max(deviation);
        }
        let draw = (before.1 - last.1) / (last.0 - before.0).max(0.1);
        Some(LeakTest { proven, lost, draw, deviation })
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
        let evidence = Evidence::Stuck { place: name.to_owned(), quantity: Quantity::Volume, value: level };
        Condition::Present { harm: Some(Harm::after(at, hidden * 0.7, hidden, hidden * 1.5 + 12.0)), evidence }
    }
}

/// What the leak test found.
struct LeakTest {
    /// The sum went beyond its limit.
    proven: bool,
    /// Litres gone since the sum began to grow.
    lost: f64,
    /// Litres an hour over the newest hour.
    draw: f64,
    /// How far the level of a half hour scatters, litres.
    deviation: f64,
}

/// The deviation of a half hour's median, from how neighbouring points scatter about each other:
/// a median of six is worth about four of them.
fn block_deviation(level: &[Point]) -> f64 {
    scatter(level) / 2.0
}
