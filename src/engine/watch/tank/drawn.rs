//! What draws on a tank: its steps, the steady draw between them, and the pulses of a pump.

use super::known::{DRAW_HOURS, KEPT_HOURS, LEAK_HOURS, POINT_MINUTES, SAME_ROUND_HOURS, TankWatch};
use crate::physics::draw::{self, LevelPoint, LevelStep};
use crate::physics::slope::{Slope, median, theil_sen};
use crate::units::Timestamp;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Points in which a new step is looked for: twelve before it and three after.
const STEP_TAIL: usize = 15;
/// The level is settled again so long after the last watering of a round: two points.
pub(super) const SETTLED_HOURS: f64 = 0.17;
/// The slope of hours is taken anew every so many points.
const DRIFT_EVERY: i32 = 6;
/// A pulse at nearly the hour of yesterday's is the same one of another day. Own default.
const SAME_PULSE_HOURS: f64 = 3.0;
/// Points of half an hour.
const HALF_HOUR: usize = 6;
/// From one point to the next a gauge rises by itself by so many deviations of its points, hardly
/// ever by more. Own default.
const RISE_DEVIATIONS: f64 = 6.0;
/// A fall of so many scatters of the points is told from none. Own default.
const FALL_SCATTERS: f64 = 2.0;

impl TankWatch {
    /// Only the newest stretch can hold a step that is not known yet, and the slope of
    /// hours changes slowly: this runs every few minutes for years of rehearsal.
    pub(super) fn understand(&mut self) {
        let points = self.points.make_contiguous();
        let from = points.partition_point(|(when, _)| *when < self.quiet_from);
        let points = &points[from..];
        let last_step = self.steps.last().map_or(f64::NEG_INFINITY, |step| step.hours);
        let tail_from =
            points.partition_point(|(when, _)| *when < last_step).max(points.len().saturating_sub(STEP_TAIL));
        let tail = &points[tail_from..];
        let smallest = (self.capacity * 0.005).max(0.1);
        // A gauge that flickers by its own resolution makes no steps: taken out as refills, two
        // of them turned a still tank into a leak.
        let flicker = 2.0 * self.capacity * 0.005;
        let threshold = draw::step_threshold(scatter(tail).max(smallest / 6.0)).max(flicker);
        self.steps.extend(draw::steps(tail, threshold));
        let newest = points.last().map_or(0.0, |(when, _)| *when);
        self.steps.retain(|step| newest - step.hours <= KEPT_HOURS);
        self.rounds.retain(|round| newest - round.1 <= KEPT_HOURS);
        self.spills.retain(|spill| newest - spill.1 <= KEPT_HOURS);
        if let Some(round) = self.rounds.last() {
            take_round(points, &mut self.steps, *round);
        }
        let day = (newest / 24.0) as i64;
        let pulse = self.steps.last().filter(|step| step.litres < 0.0 && newest - step.hours < 1.0);
        if let (Some(step), None) = (pulse, self.sudden) {
            match self.largest_pulses.back_mut().filter(|(known, _)| *known == day) {
                Some((_, litres)) => *litres = litres.max(-step.litres),
                None => self.largest_pulses.push_back((day, -step.litres)),
            }
        }
        while self.largest_pulses.front().is_some_and(|(known, _)| day - known > 7) {
            self.largest_pulses.pop_front();
        }
        let stretch_from = points.partition_point(|(when, _)| *when < newest - DRAW_HOURS - 0.01);
        let mut level = level_without_steps(&points[stretch_from..], &self.steps);
        level.retain(|(when, _)| !self.rounds.iter().any(|round| round.0 < *when && *when < round.1 + SETTLED_HOURS));
        self.hour = recent(&level, LEAK_HOURS);
        self.until_drift -= 1;
        if self.until_drift <= 0 || self.drift.is_none() {
            self.drift = draw::slope_over(&level, DRAW_HOURS);
            self.until_drift = DRIFT_EVERY;
        }
        self.learn();
    }

    /// A calm steady draw becomes the usual one, slowly, so that a leak stands out against it.
    fn learn(&mut self) {
        let Some(drift) = self.drift else {
            return;
        };
        if self.leaking {
            return;
        }
        let rate = (-drift.per_hour).max(0.0);
        let step = POINT_MINUTES as f64 / 60.0;
        self.usual_hours = (self.usual_hours + step).min(48.0);
        let weight = step / self.usual_hours.max(6.0);
        self.usual = Some(self.usual.map_or(rate, |usual| usual + (rate - usual) * weight));
    }

    /// The largest pulse of a week, litres; `None` until two days were watched.
    pub(super) fn largest_pulse(&self, now: f64) -> Option<f64> {
        let largest = self.largest_pulses.iter().map(|(_, litres)| *litres).reduce(f64::max);
        (now >= 48.0).then_some(largest.unwrap_or(0.0))
    }

    /// Pump pulses of the last day, as hours from now until each comes again, and litres. One that
    /// has come today already, later or earlier than yesterday, does not come a second time.
    pub(super) fn pulses(&self, now: f64) -> Vec<(f64, f64)> {
        let falls: Vec<&LevelStep> =
            self.steps.iter().filter(|step| step.litres < 0.0 && !self.is_spill(step)).collect();
        let due = |step: &LevelStep| step.hours + 24.0 - now;
        let has_come =
            |step: &LevelStep| falls.iter().any(|newer| (newer.hours - step.hours - 24.0).abs() < SAME_PULSE_HOURS);
        let mut pulses: Vec<(f64, f64)> = falls
            .iter()
            .filter(|step| due(step) > 0.0 && !has_come(step))
            .map(|step| (due(step), -step.litres))
            .collect();
        pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
        pulses
    }

    /// Litres that went at once over a span, as waterings do, and when the last of them went.
    pub(crate) fn given_between(&self, from: Timestamp, until: Timestamp) -> Option<(Timestamp, f64)> {
        let (first, last) = (self.hours(from), self.hours(until));
        let given =
            |step: &&LevelStep| step.litres < 0.0 && first <= step.hours && step.hours <= last && !self.is_spill(step);
        let newest = self.steps.iter().filter(given).map(|step| step.hours).reduce(f64::max)?;
        let litres = self.steps.iter().filter(given).map(|step| -step.litres).sum();
        Some((self.epoch + TimeDelta::seconds((newest * 3600.0) as i64), litres))
    }

    /// Litres of a fall that its gauge can tell from none; `None`: too few points are known. A fall is
    /// the difference of two middles of six points, one of them the highest of some, and is off by
    /// nearly one scatter of the points, or by the step of a gauge that has steps.
    pub(crate) fn told_apart(&self) -> Option<f64> {
        let all: Vec<LevelPoint> = self.points.iter().copied().collect();
        let differences = all.windows(2).map(|pair| (pair[1].1 - pair[0].1).abs());
        let step = differences.filter(|litres| *litres > 1e-6).reduce(f64::min)?;
        (all.len() > STEP_TAIL).then(|| step.max(FALL_SCATTERS * scatter(&all)))
    }

    /// A fall that was told as water on the floor.
    fn is_spill(&self, step: &LevelStep) -> bool {
        self.spills.iter().any(|(from, until)| (*from..=*until).contains(&step.hours))
    }

    /// Litres the level fell over a span, from the higher half hour of its first half to its last
    /// half hour; `None` when it was not watched, or water was poured in.
    pub(crate) fn fell_between(&self, from: Timestamp, until: Timestamp) -> Option<f64> {
        let (from, until) = (self.hours(from), self.hours(until));
        let all: Vec<LevelPoint> = self.points.iter().copied().collect();
        let span: Vec<LevelPoint> = all.iter().copied().filter(|(when, _)| (from..=until).contains(when)).collect();
        let (first, last) = (span.first()?, span.last()?);
        let rise = (3.0 * self.noise()).max(RISE_DEVIATIONS * scatter(&all));
        let poured =
            (from..=until).contains(&self.quiet_from) || span.windows(2).any(|pair| pair[1].1 - pair[0].1 > rise);
        let watched =
            first.0 - from < 0.25 && until - last.0 < 0.25 && span.windows(2).all(|pair| pair[1].0 - pair[0].0 < 0.5);
        if poured || !watched {
            return None;
        }
        let level = |points: &[LevelPoint]| median(&points.iter().map(|(_, litres)| *litres).collect::<Vec<f64>>());
        let half = span.partition_point(|(when, _)| *when <= (from + until) / 2.0);
        let high = span[..half].chunks(HALF_HOUR).filter_map(level).reduce(f64::max)?;
        let low = level(&span[half.max(span.len().saturating_sub(HALF_HOUR))..])?;
        Some((high - low).max(0.0))
    }
}

/// The series as if nothing had been poured in or pumped.
fn level_without_steps(points: &[LevelPoint], steps: &[LevelStep]) -> Vec<LevelPoint> {
    let before = |when: f64| steps.iter().filter(|step| step.hours <= when).map(|step| step.litres).sum::<f64>();
    points.iter().map(|(when, litres)| (*when, litres - before(*when))).collect()
}

/// What went while a round was watering is one step at its end; a step found within it
/// was a part of that.
fn take_round(points: &[LevelPoint], steps: &mut Vec<LevelStep>, (from, until): (f64, f64)) {
    let settled = until + SETTLED_HOURS;
    let Some(after) = points.iter().find(|(when, _)| *when >= settled) else {
        return;
    };
    // Right after a refill there is no level from before the round; what the first point of
    // it shows is the nearest.
    let Some(before) = points.iter().rfind(|(when, _)| *when <= from).or(points.first()) else {
        return;
    };
    steps.retain(|step| !(from - SETTLED_HOURS < step.hours && step.hours < settled + SAME_ROUND_HOURS));
    steps.push(LevelStep { index: 0, hours: after.0, litres: after.1 - before.1 });
    steps.sort_by(|a, b| a.hours.total_cmp(&b.hours));
}

/// The slope of the last hours, which must span at least three quarters of them.
fn recent(points: &[LevelPoint], hours: f64) -> Option<Slope> {
    let newest = points.last()?.0;
    let from = points.partition_point(|(when, _)| *when < newest - hours - 0.01);
    let window = &points[from..];
    (window.len() >= 6 && newest - window[0].0 >= hours * 0.75).then(|| theil_sen(window)).flatten()
}

/// Robust scatter of a series: four fifths of its neighbouring differences are less than 1.2816
/// standard deviations, a difference being root two wider. The middle one would call a gauge still
/// that says the same level twice as often as not.
pub(super) fn scatter(points: &[LevelPoint]) -> f64 {
    scatter_of(&points.iter().map(|(_, litres)| *litres).collect::<Vec<f64>>())
}

/// The same of levels alone, in their order.
pub(super) fn scatter_of(levels: &[f64]) -> f64 {
    let mut differences: Vec<f64> = levels.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let rank = differences.len() * 4 / 5;
    let wide = if differences.is_empty() { 0.0 } else { *differences.select_nth_unstable_by(rank, f64::total_cmp).1 };
    wide / 1.2816 / core::f64::consts::SQRT_2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::tank::sample::{hears, minute, tank};

    #[test]
    fn the_usual_draw_follows_a_new_one_in_days_not_at_a_look() {
        let mut tank = tank();
        let mut looks = |litres: f64, hours: i64| {
            tank.drift = Some(Slope { per_hour: -litres, low: -litres, high: -litres, intercept: 0.0 });
            (0..hours * 60 / POINT_MINUTES).for_each(|_| tank.learn());
            tank.usual.expect("it was looked at")
        };
        assert!((looks(0.2, 24) - 0.2).abs() < 1e-9);
        let (hour, days) = (looks(0.4, 1), looks(0.4, 72));
        assert!((0.2..0.22).contains(&hour) && (0.35..=0.4).contains(&days), "{hour} and {days} litres an hour");
    }

    #[test]
    fn a_watch_keeps_a_day_of_what_went_and_a_week_of_its_largest() {
        let mut tank = tank();
        let fell = |litres: f64| move |at: i64| 90.0 - if at >= 1200 { litres } else { 0.0 };
        hears(&mut tank, 0..=600, fell(5.0));
        tank.watered(minute(600));
        tank.spills.push((9.0, 11.0));
        hears(&mut tank, 601..=1260, fell(5.0));
        assert_eq!((tank.steps.len(), tank.rounds.len(), tank.largest_pulse(48.0)), (2, 1, Some(5.0)));
        hears(&mut tank, 1261..=3 * 1440, fell(5.0));
        assert!(tank.steps.iter().all(|step| step.hours > 40.0) && tank.rounds.is_empty() && tank.spills.is_empty());
        hears(&mut tank, 3 * 1440 + 1..=8 * 1440 - 5, fell(5.0));
        assert_eq!(tank.largest_pulse(191.9), Some(5.0), "a week later");
        hears(&mut tank, 8 * 1440..=8 * 1440, fell(5.0));
        assert_eq!(tank.largest_pulse(192.0), Some(0.0));
    }

    #[test]
    fn a_round_that_was_typed_leaves_the_steady_draw_standing() {
        let mut tank = tank();
        // Two litres within twenty minutes, besides a fifth of a litre an hour.
        let level = |at: i64| 60.0 - at as f64 / 300.0 - 2.0 * ((at - 360) as f64 / 20.0).clamp(0.0, 1.0);
        hears(&mut tank, 0..=360, level);
        for at in [360, 370, 380] {
            tank.watered(minute(at));
            hears(&mut tank, at + 1..=at + 10, level);
        }
        hears(&mut tank, 391..=480, level);
        let draw = tank.drift.map(|drift| -drift.per_hour);
        assert!(draw.is_some_and(|draw| (0.18..0.22).contains(&draw)), "{draw:?} litres an hour");
    }

    #[test]
    fn a_gauge_with_steps_tells_no_less_than_a_step() {
        let mut tank = tank();
        hears(&mut tank, 0..=600, |at| 60.0 - (at / 300) as f64);
        assert_eq!(tank.told_apart(), Some(1.0));
    }

    #[test]
    fn what_fell_over_a_span_is_known_only_where_it_was_heard_from_end_to_end() {
        let fell = |heard: core::ops::RangeInclusive<i64>| {
            let mut tank = tank();
            hears(&mut tank, heard, |at| 60.0 - 4.0 * ((at - 60) as f64 / 20.0).clamp(0.0, 1.0));
            tank.fell_between(minute(0), minute(120))
        };
        assert_eq!([0..=120, 20..=120, 0..=100].map(fell), [Some(4.0), None, None]);
    }

    #[test]
    fn a_gauge_that_repeats_a_level_as_often_as_not_scatters_all_the_same() {
        let level =
            |step: f64| (0..60).map(|point| (f64::from(point) / 12.0, step * f64::from(point / 2 % 2))).collect();
        let points: [Vec<LevelPoint>; 2] = [level(1.0), level(0.0)];
        // A step of a litre is 1.2816 times root two of its deviations.
        let [steps, still] = points.map(|points| scatter(&points));
        assert!((steps - 0.55).abs() < 0.01 && still == 0.0, "{steps} and {still}");
    }

    #[test]
    fn what_a_round_took_is_one_step_whatever_was_found_within_it() {
        // Five litres within twelve minutes, two hours after a refill; half an hour after it a pump runs.
        let level = |when: f64| 40.0 - 25.0 * (when - 3.0).clamp(0.0, 0.2);
        let points: Vec<LevelPoint> = (0..60).map(|point| f64::from(point) / 12.0).map(|at| (at, level(at))).collect();
        let step = |hours: f64, litres: f64| LevelStep { index: 0, hours, litres };
        let mut steps = vec![step(1.0, 8.0), step(3.1, -3.0), step(3.3, -1.5), step(3.9, -1.0)];
        take_round(&points, &mut steps, (3.0, 3.2));
        let found: Vec<(f64, f64)> = steps.iter().map(|step| (step.hours, step.litres)).collect();
        let settled = points.iter().find(|(when, _)| *when >= 3.2 + SETTLED_HOURS).expect("it goes on").0;
        let [refill, round, pump] = found[..] else { panic!("{found:?}") };
        assert_eq!((refill, pump, round.0), ((1.0, 8.0), (3.9, -1.0), settled));
        assert!((round.1 + 5.0).abs() < 1e-9, "{found:?}");
    }
}
