//! The watch over one reservoir: how much is left, what draws on it, when the pump
//! will draw air, whether more goes than plants can use, and whether the gauge still
//! moves. The arithmetic is in `risk::reservoir`, `risk::draw` and `slope`.
//!
//! Two kinds of draw are told apart: the steady one between waterings, and the pulses
//! of a pump. The forecast runs both forward: tomorrow's pulses come when yesterday's came.

mod faults;

use super::alarm::cycle::Condition;
use super::alarm::{AlarmKind, Evidence, Harm};
use super::risk::draw::{self, Point, Step};
use super::rules::{Channel, Reservoir};
use super::slope::{Slope, theil_sen};
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::collections::VecDeque;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// One point in this many minutes; enough for slopes of hours, little enough to keep a day.
const POINT_MINUTES: i64 = 5;
/// Points kept: a day, so that yesterday's pulses are known.
const KEPT_HOURS: f64 = 26.0;
/// The steady draw is taken over this long, or since the last step if that is shorter.
const DRAW_HOURS: f64 = 6.0;
/// A leak shows within two hours.
const LEAK_HOURS: f64 = 2.0;
/// A forecast further off than this is not told as an alarm. Own default.
const SIGHT_HOURS: f64 = 24.0;

/// Points in which a new step is looked for: twelve before it and three after.
const STEP_TAIL: usize = 15;
/// Waterings closer together than this are one round of hands. Own default.
const SAME_ROUND_HOURS: f64 = 0.25;
/// The level is settled again so long after the last watering of a round: two points.
const SETTLED_HOURS: f64 = 0.17;
/// The slope of hours is taken anew every so many points.
const DRIFT_EVERY: i32 = 6;

/// What one reservoir has done lately.
#[derive(Clone, Debug)]
pub struct TankWatch {
    capacity: f64,
    reserve: f64,
    /// Litres the gauge may be off by near the pump inlet, where it counts.
    accuracy: f64,
    epoch: Timestamp,
    points: VecDeque<Point>,
    pending: Vec<f64>,
    steps: Vec<Step>,
    /// Logged rounds of watering, first to last, hours.
    rounds: Vec<(f64, f64)>,
    drift: Option<Slope>,
    hour: Option<Slope>,
    /// Typical steady draw, learnt from calm hours, litres an hour.
    usual: Option<f64>,
    usual_hours: f64,
    leak_since: Option<Timestamp>,
    leak_lost: f64,
    drawn_day: f64,
    added_day: f64,
    last_level: Option<(Timestamp, f64)>,
    quiet_from: f64,
    until_drift: i32,
}

/// Whatever a watch must know besides the level.
#[derive(Clone, Copy, Debug)]
pub struct Use {
    /// Trays on this reservoir, if the journal knows.
    pub trays: Option<u32>,
    /// Places on this reservoir.
    pub places: usize,
    /// Since when the gauge has not moved.
    pub flat_since: Option<Timestamp>,
    /// How long it must stand still before that is odd for this gauge, as it has moved so far.
    pub odd_after: TimeDelta,
}

impl TankWatch {
    /// A watch without any history.
    pub fn new(reservoir: &Reservoir, gauge: &Channel, at: Timestamp) -> Self {
        let reserve = reservoir.shape.litres(reservoir.pump_inlet_mm);
        TankWatch {
            capacity: reservoir.shape.capacity_litres(),
            reserve,
            accuracy: reservoir.litres_accuracy(gauge, reserve),
            epoch: at,
            points: VecDeque::new(),
            pending: Vec::new(),
            steps: Vec::new(),
            rounds: Vec::new(),
            drift: None,
            hour: None,
            usual: None,
            usual_hours: 0.0,
            leak_since: None,
            leak_lost: 0.0,
            drawn_day: 0.0,
            added_day: 0.0,
            last_level: None,
            quiet_from: f64::NEG_INFINITY,
            until_drift: 0,
        }
    }

    /// Litres above the pump inlet at the newest point, and when that was.
    pub fn usable(&self) -> Option<(Timestamp, f64)> {
        self.last_level.map(|(when, litres)| (when, (litres - self.reserve).max(0.0)))
    }

    /// Litres between pump inlet and rim.
    pub fn usable_when_full(&self) -> f64 {
        (self.capacity - self.reserve).max(0.001)
    }

    /// Litres drawn and added since this was last asked.
    pub fn take_day(&mut self) -> (f64, f64) {
        let day = (self.drawn_day, self.added_day);
        self.drawn_day = 0.0;
        self.added_day = 0.0;
        day
    }

    /// Litres drawn and added so far today.
    pub fn day(&self) -> (f64, f64) {
        (self.drawn_day, self.added_day)
    }

    /// Somebody logged a refill: a rise is expected, and no slope reaches across it.
    pub fn refilled(&mut self, at: Timestamp) {
        self.quiet_from = self.hours(at);
    }

    /// Somebody logged a watering from this tank: what goes while the round lasts is no slope.
    pub fn watered(&mut self, at: Timestamp) {
        let hours = self.hours(at);
        match self.rounds.last_mut().filter(|round| hours - round.1 < SAME_ROUND_HOURS) {
            Some(round) => round.1 = hours,
            None => self.rounds.push((hours, hours)),
        }
    }

    /// Litres the level fell over a span, from the highest of its first half to its end;
    /// `None` when it was not watched, or water was poured in.
    pub fn fell_between(&self, from: Timestamp, until: Timestamp) -> Option<f64> {
        let (from, until) = (self.hours(from), self.hours(until));
        let span: Vec<Point> = self.points.iter().copied().filter(|(when, _)| (from..=until).contains(when)).collect();
        let (first, last) = (span.first()?, span.last()?);
        let noise = self.noise();
        let poured = self.quiet_from >= from || span.windows(2).any(|pair| pair[1].1 - pair[0].1 > 3.0 * noise);
        let watched =
            first.0 - from < 0.25 && until - last.0 < 0.25 && span.windows(2).all(|pair| pair[1].0 - pair[0].0 < 0.5);
        if poured || !watched {
            return None;
        }
        let half = (from + until) / 2.0;
        let high = span.iter().filter(|(when, _)| *when <= half).map(|(_, litres)| *litres).fold(f64::MIN, f64::max);
        Some((high - last.1).max(0.0))
    }

    /// Takes in the minute mean, in litres.
    pub fn minute(&mut self, at: Timestamp, litres: Option<f64>) {
        if let Some(litres) = litres {
            self.last_level = Some((at, litres));
            self.pending.push(litres);
        }
        if at.timestamp().div_euclid(60).rem_euclid(POINT_MINUTES) != 0 || self.pending.is_empty() {
            return;
        }
        let Some(middle) = super::slope::median(&self.pending) else {
            return;
        };
        self.pending.clear();
        let hours = self.hours(at);
        if let Some((before, level)) = self.points.back() {
            // A gap of hours says nothing of what came between.
            let change = middle - level;
            let noise = self.noise();
            if hours - before < 2.0 && change < 0.0 {
                self.drawn_day -= change;
            } else if change > 3.0 * noise {
                self.added_day += change;
            } else if change > 0.0 {
                self.drawn_day -= change;
            }
            self.drawn_day = self.drawn_day.max(0.0);
        }
        self.points.push_back((hours, middle));
        while self.points.front().is_some_and(|(when, _)| hours - when > KEPT_HOURS) {
            self.points.pop_front();
        }
        self.understand();
    }

    /// Judges the reservoir. `held(kind)` says whether that alarm holds.
    pub fn judge(
        &mut self,
        at: Timestamp,
        name: &str,
        low_percent: f64,
        known: Use,
        fresh: bool,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 4] {
        use AlarmKind::{ReservoirEmpty, ReservoirLeak, ReservoirLow, SensorStuck};
        let stuck = self.stuck(at, name, known, fresh);
        let Some((_, usable)) = self.usable().filter(|_| fresh) else {
            return [
                (ReservoirLow, Condition::Unknown),
                (ReservoirEmpty, Condition::Unknown),
                (ReservoirLeak, Condition::Unknown),
                (SensorStuck, stuck),
            ];
        };
        let full = self.usable_when_full();
        let percent = usable / full * 100.0;
        let forecast = self.forecast(at);
        let evidence = Evidence::Reservoir {
            reservoir: name.to_owned(),
            usable,
            percent,
            draw: self.steady_draw(),
            empty_at: forecast,
            to_fill: full - usable,
        };
        // The last centimetre above the inlet is within the gauge's own error.
        let bottom = (full * 0.01).max(0.2);
        let is_empty = usable <= bottom || (held(ReservoirEmpty) && percent < 6.0);
        let empty = if is_empty {
            Condition::Present { harm: Some(Harm { from: at, early: at }), evidence: evidence.clone() }
        } else {
            Condition::Absent
        };
        let soon = forecast.filter(|(_, early, _)| *early - at <= hours_span(SIGHT_HOURS));
        let low_line = if held(ReservoirLow) { low_percent + 5.0 } else { low_percent };
        let low = match soon {
            // Empty has its own words; saying "low" beside it would be noise.
            _ if is_empty => Condition::Unknown,
            Some((from, early, _)) => Condition::Present { harm: Some(Harm { from, early }), evidence },
            None if percent < low_line => {
                let harm = forecast.map(|(from, early, _)| Harm { from, early });
                let a_day = Harm { from: at + hours_span(24.0), early: at + hours_span(24.0) };
                Condition::Present { harm: Some(harm.unwrap_or(a_day)), evidence }
            }
            None => Condition::Absent,
        };
        let leak = self.leak(at, name, known, usable, held(ReservoirLeak));
        [(ReservoirLow, low), (ReservoirEmpty, empty), (ReservoirLeak, leak), (SensorStuck, stuck)]
    }

    /// When the pump draws air: best, early and late. `None`: no measurable draw.
    pub fn forecast(&self, at: Timestamp) -> Option<(Timestamp, Timestamp, Timestamp)> {
        let (when, usable) = self.usable()?;
        let now = self.hours(at);
        let usable = usable - self.steady_draw().unwrap_or(0.0) * (now - self.hours(when)).clamp(0.0, 48.0);
        let drift = self.drift.filter(Slope::falls);
        let (best, most, least) = match (drift, self.usual) {
            (Some(drift), _) => (-drift.per_hour, -drift.low, -drift.high),
            // Between two waterings the steady draw may not show yet; what was usual still holds.
            (None, Some(usual)) if usual > 0.0 => (usual, usual * 1.5, usual * 0.5),
            _ => (0.0, 0.0, 0.0),
        };
        let pulses = self.pulses(now);
        let until = |left: f64, rate: f64, pulse: f64| empty_in(left.max(0.0), rate, &pulses, pulse);
        let best_in = until(usable, best, 1.0)?;
        // The gauge may read high: then there is less than it says.
        let early_in =
            until(usable - self.accuracy, most.min(best * 3.0).max(best), 1.15).unwrap_or(best_in).min(best_in);
        let late_in = until(usable + self.accuracy, least.max(best / 3.0), 0.85).unwrap_or(best_in * 2.0).max(best_in);
        Some((at + hours_span(best_in), at + hours_span(early_in), at + hours_span(late_in)))
    }

    /// Litres an hour between waterings; `None`: no measurable draw.
    pub fn steady_draw(&self) -> Option<f64> {
        match self.drift {
            Some(drift) if drift.falls() => Some(-drift.per_hour),
            _ => self.usual.filter(|usual| *usual > 0.005),
        }
    }

    fn hours(&self, at: Timestamp) -> f64 {
        (at - self.epoch).num_seconds() as f64 / 3600.0
    }

    fn noise(&self) -> f64 {
        // A gauge step of a few millimetres; half a per cent of the tank stands for it.
        (self.capacity * 0.005).max(0.1)
    }

    /// Only the newest stretch can hold a step that is not known yet, and the slope of
    /// hours changes slowly: this runs every few minutes for years of rehearsal.
    fn understand(&mut self) {
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
        if let Some(round) = self.rounds.last() {
            take_round(points, &mut self.steps, *round);
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
        if self.leak_since.is_some() {
            return;
        }
        let rate = (-drift.per_hour).max(0.0);
        let step = POINT_MINUTES as f64 / 60.0;
        self.usual_hours = (self.usual_hours + step).min(48.0);
        let weight = step / self.usual_hours.max(6.0);
        self.usual = Some(self.usual.map_or(rate, |usual| usual + (rate - usual) * weight));
    }

    /// Pump pulses of the last day, as hours from now until each comes again, and litres.
    fn pulses(&self, now: f64) -> Vec<(f64, f64)> {
        let mut pulses: Vec<(f64, f64)> = self
            .steps
            .iter()
            .filter(|step| step.litres < 0.0 && now - step.hours < 24.0)
            .map(|step| ((step.hours + 24.0 - now).max(0.0), -step.litres))
            .collect();
        pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
        pulses
    }
}

/// Hours until `usable` litres are gone at a steady rate and daily pulses; `None` when
/// that lies beyond thirty days.
fn empty_in(usable: f64, rate: f64, pulses: &[(f64, f64)], pulse_factor: f64) -> Option<f64> {
    let mut left = usable;
    let mut hour = 0.0;
    for day in 0..30 {
        for (when, litres) in pulses {
            let when = when + 24.0 * f64::from(day);
            let steady = rate * (when - hour).max(0.0);
            if left <= steady {
                return Some(hour + left / rate);
            }
            left -= steady + litres * pulse_factor;
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

/// The series as if nothing had been poured in or pumped.
fn level_without_steps(points: &[Point], steps: &[Step]) -> Vec<Point> {
    let before = |when: f64| steps.iter().filter(|step| step.hours <= when).map(|step| step.litres).sum::<f64>();
    points.iter().map(|(when, litres)| (*when, litres - before(*when))).collect()
}

/// What went while a round was watering is one step at its end; a step found within it
/// was a part of that.
fn take_round(points: &[Point], steps: &mut Vec<Step>, (from, until): (f64, f64)) {
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
    steps.push(Step { index: 0, hours: after.0, litres: after.1 - before.1 });
    steps.sort_by(|a, b| a.hours.total_cmp(&b.hours));
}

fn hours_span(hours: f64) -> TimeDelta {
    TimeDelta::seconds((hours * 3600.0).clamp(0.0, 31.0 * 86_400.0) as i64)
}

/// The slope of the last hours, which must span at least three quarters of them.
fn recent(points: &[Point], hours: f64) -> Option<Slope> {
    let newest = points.last()?.0;
    let from = points.partition_point(|(when, _)| *when < newest - hours - 0.01);
    let window = &points[from..];
    (window.len() >= 6 && newest - window[0].0 >= hours * 0.75).then(|| theil_sen(window)).flatten()
}

/// Robust scatter of a series: the median of neighbouring differences, scaled to a
/// standard deviation (1.4826 for the median, root two for a difference).
fn scatter(points: &[Point]) -> f64 {
    let differences: Vec<f64> = points.windows(2).map(|pair| (pair[1].1 - pair[0].1).abs()).collect();
    super::slope::median(&differences).unwrap_or(0.0) * 1.4826 / core::f64::consts::SQRT_2
}
