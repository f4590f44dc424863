//! What can be wrong with a tank: more goes than plants can use, or the gauge no longer moves.

use super::SUDDEN_WITHIN;
use super::known::{SUDDEN_EXPLAINED_HOURS, Sudden, TankWatch, Use, gone};
use crate::alarm::{Condition, Evidence, Harm};
use crate::physics::draw::{self, LevelPoint};
use crate::physics::slope::median;
use crate::quality::judge::STUCK_ALONE;
use crate::reading::Quantity;
use crate::units::Timestamp;
use crate::watch::growing::BEFORE_THE_HOUR;
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
/// A step of the level is placed no better than this. Own default.
const SPILL_BLUR_HOURS: f64 = 0.5;
/// A sudden fall must stand for so many minutes.
const SUDDEN_SURE: usize = 3;
/// So long after the hour of a round a double watering is one. Own default.
const SUDDEN_AT_A_ROUND: chrono::TimeDelta = chrono::TimeDelta::hours(2);
/// It is told for so long, or until somebody says where the water went. Own default.
const SUDDEN_TOLD_FOR: chrono::TimeDelta = chrono::TimeDelta::hours(12);
/// A pump gives as much as it did, and a little more, at hours when no hands do. Own default.
const ONCE_MORE: f64 = 1.2;
/// A round with all its trays takes no longer, hours. Own default.
const ROUND_TAKES_HOURS: f64 = 1.25;
/// Litres a tray is given at a time at most (common practice, no source).
const TRAY_WATERING: f64 = 0.25;
/// Before two days were watched, nothing less than this share of the tank is a sudden fall. Own default.
const UNKNOWN_PULSE: f64 = 0.25;
/// Litres gone at once that are harm. Own default.
const HARMFUL_SPILL: f64 = 5.0;
/// Litres gone little by little, some of which dry up or are mopped up, that are harm: a tenth of
/// the chance, the half and nine tenths. Own default.
const HARMFUL_LOSS: [f64; 3] = [3.0, 6.0, 12.0];
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
        let newest = self.points.back().map(|(when, _)| *when);
        if self.tested.is_none_or(|(when, _)| newest != Some(when)) {
            // Between two points nothing changes that the sum could see.
            let all: Vec<LevelPoint> = self.points.iter().copied().collect();
            let points = if self.may_be_a_round(known) { self.until_the_round(known) } else { all };
            self.tested = newest.map(|when| (when, self.leak_test(&points, allowed, known.asleep_since)));
        }
        let Some(found) = self.tested.and_then(|(_, found)| found) else {
            self.leaking = false;
            return Condition::Unknown;
        };
        // What has stood still for the newest hour is a leak no more, however much went before;
        // whether a slow one does, an hour does not show.
        let draw = found.draw.max(0.0);
        let runs_on = draw > expected + (allowed - expected) / 2.0;
        let leaked = core::mem::replace(&mut self.leaking, (found.proven && runs_on) || (held && !found.stands));
        if leaked && !self.leaking {
            // What went before is told; another leak needs a proof of its own.
            self.stood_at = newest.unwrap_or(self.stood_at);
            self.tested = None;
        }
        let looked_at = newest.unwrap_or(0.0);
        // The sum looks back half a day and over no gap; what went before that is on the floor all the same.
        let since_then = |(when, litres): (f64, f64)| litres + (draw - expected).max(0.0) * (looked_at - when);
        let lost = self.losing.filter(|_| held).map_or(0.0, since_then).max(found.lost).max(0.0);
        self.losing = self.leaking.then_some((looked_at, lost));
        let evidence =
            Evidence::Leak { reservoir: name.to_owned(), draw, expected, lost, sudden_minutes: None, usable };
        if !self.leaking {
            return gone(held, &evidence);
        }
        let more = (found.rate - expected).max(0.05);
        let in_hours = |which: usize, rate: f64| ((HARMFUL_LOSS[which] - lost) / rate).max(0.0);
        let harm = Harm::after(at, in_hours(0, more * 1.3), in_hours(1, more), in_hours(2, more * 0.7));
        let harm = self.forecast(at).map_or(harm, |empty| harm.sooner(empty));
        Condition::Present { harm: Some(harm), evidence }
    }

    /// What has gone since the hour of a round is a round, until it goes on for longer than one
    /// takes: as much as one takes, as fast as hands are. Who waters types it afterwards.
    fn may_be_a_round(&self, known: Use) -> bool {
        let Some(begins) = known.round_at.map(|round| self.hours(round - BEFORE_THE_HOUR)) else { return false };
        let level = |points: &mut dyn Iterator<Item = &LevelPoint>| {
            median(&points.take(3).map(|(_, litres)| *litres).collect::<Vec<f64>>())
        };
        let before = level(&mut self.points.iter().rev().skip_while(|(when, _)| *when >= begins));
        let (Some(before), Some(now)) = (before, level(&mut self.points.iter().rev())) else { return false };
        let gone = before - now;
        let newest = self.points.back().map_or(0.0, |(when, _)| *when);
        let still_full = self.points.iter().rev().find(|(_, litres)| before - litres < gone / 5.0);
        let hours = newest - still_full.map_or(begins, |(when, _)| *when).max(begins);
        // What fell before the hour as it falls now is no hands.
        let earlier = level(&mut self.points.iter().rev().skip_while(|(when, _)| *when >= begins - 1.0));
        if earlier.is_some_and(|earlier| (earlier - before) * hours > 0.4 * gone) {
            return false;
        }
        let trays = known.trays.map_or(0.0, |trays| f64::from(trays) * TRAY_WATERING);
        let usual = self.largest_pulse(newest).filter(|pulse| *pulse > 0.0).unwrap_or(trays);
        hours < ROUND_TAKES_HOURS && gone > 0.8 * usual * hours && gone < 1.5 * usual
    }

    /// Points up to the hour of the newest round that nobody has typed yet.
    fn until_the_round(&self, known: Use) -> Vec<LevelPoint> {
        let begins = known.round_at.map_or(f64::INFINITY, |round| self.hours(round - BEFORE_THE_HOUR));
        self.points.iter().copied().filter(|(when, _)| *when < begins).collect()
    }

    /// A large fall within an hour and a half that no log explains: water on a floor with mains.
    fn look_for_a_sudden_fall(&mut self, at: Timestamp, known: Use) {
        if let Some(sudden) = self.sudden {
            self.goes_on_falling(at, sudden);
            let low = self.minutes.iter().map(|(_, litres)| *litres).fold(f64::INFINITY, f64::min);
            let filled = self.minutes.back().is_some_and(|(_, now)| now - low > 6.0 * self.noise());
            if filled || at - sudden.at > SUDDEN_TOLD_FOR {
                self.sudden = None;
                self.forget_minutes();
            }
            return;
        }
        let sure = self.minutes.len().saturating_sub(SUDDEN_SURE);
        let explained = self.rounds.last().is_some_and(|round| self.hours(at) - round.1 < SUDDEN_EXPLAINED_HOURS);
        if sure < SUDDEN_SURE || explained {
            return;
        }
        let now = self.minutes.range(sure..).map(|(_, litres)| *litres).fold(f64::MIN, f64::max);
        let watering = known.trays.map_or(0.0, |trays| f64::from(trays) * TRAY_WATERING);
        let at_a_round = known.round_at.is_some_and(|round| at - round < SUDDEN_AT_A_ROUND);
        let usual = match self.largest_pulse(self.hours(at)) {
            // This round's watering has been, or everybody sleeps: who would water again?
            Some(pulse) if pulse > 0.0 && (known.asleep_since.is_some() || self.has_watered(at, known)) => {
                pulse * ONCE_MORE
            }
            // Who left a round out waters twice as much at the next, and types it later.
            Some(pulse) if pulse > 0.0 => pulse * if at_a_round { 3.0 } else { 1.5 },
            // Waterings too small to stand out against the gauge.
            Some(_) => watering,
            None => (2.0 * watering).max(self.capacity * UNKNOWN_PULSE),
        };
        let least = usual.max(HARMFUL_SPILL);
        if self.minutes.range(..sure).all(|(_, was)| was - now <= least) {
            return;
        }
        let before: Vec<(Timestamp, f64)> = self.minutes.range(..sure).copied().collect();
        // A single echo that read high makes no fall: the middle of any three minutes does.
        let highest = before.windows(3).map(|three| (three[2].0, middle(three[0].1, three[1].1, three[2].1)));
        let Some((from, level)) = highest.max_by(|a, b| a.1.total_cmp(&b.1)) else { return };
        let litres = level - now;
        if litres > least {
            let since = before.iter().rev().find(|(_, was)| level - was < 0.2 * litres).map_or(from, |(when, _)| *when);
            self.sudden = Some(Sudden { at, before: level, since, litres, minutes: (at - since).num_minutes().max(1) });
            self.spills.push((self.hours(since) - SPILL_BLUR_HOURS, self.hours(at) + SPILL_BLUR_HOURS));
        }
    }

    /// The log says that this round has watered, some time ago. That the tank fell does not say it:
    /// who is late waters rack by rack.
    fn has_watered(&self, at: Timestamp, known: Use) -> bool {
        let Some(round_at) = known.round_at else { return false };
        let (from, until) = (self.hours(round_at - BEFORE_THE_HOUR), self.hours(at) - ROUND_TAKES_HOURS);
        self.rounds.iter().any(|(first, last)| from <= *first && *last <= until)
    }

    /// It was told at its first litres; what goes after them goes at once as well.
    fn goes_on_falling(&mut self, at: Timestamp, sudden: Sudden) {
        let newest = self.minutes.len().saturating_sub(SUDDEN_SURE);
        let now = self.minutes.range(newest..).map(|(_, litres)| *litres).fold(f64::MIN, f64::max);
        let litres = sudden.before - now;
        if at - sudden.since <= SUDDEN_WITHIN && litres > sudden.litres + 3.0 * self.noise() {
            let minutes = (at - sudden.since).num_minutes().max(1);
            self.sudden = Some(Sudden { litres, minutes, ..sudden });
            self.spills.push((self.hours(sudden.since) - SPILL_BLUR_HOURS, self.hours(at) + SPILL_BLUR_HOURS));
        }
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

fn middle(one: f64, other: f64, third: f64) -> f64 {
    one.max(other).min(one.min(other).max(third))
}

#[cfg(test)]
mod tests;
