//! The watch over one reservoir: how much is left, what draws on it, when the pump
//! will draw air, whether more goes than plants can use, and whether the gauge still
//! moves. The arithmetic is in `physics::tank_geometry`, `physics::draw` and `slope`.
//!
//! Two kinds of draw are told apart: the steady one between waterings, and the pulses
//! of a pump. The forecast runs both forward: tomorrow's pulses come when yesterday's came.

mod drawn;
mod faults;

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::physics::climate::TENTH_OF_LIMITS;
use crate::physics::draw::{LevelStep, Point};
use crate::physics::slope::{Slope, median};
use crate::rules::{Channel, Reservoir, ReservoirId, Rules};
use crate::units::Timestamp;
use crate::watch::seen::{Judged, Seen, Subject};
use crate::watch::tank::faults::LeakTest;
use alloc::borrow::ToOwned;
use alloc::collections::VecDeque;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// One point in this many minutes; enough for slopes of hours, little enough to keep a day.
const POINT_MINUTES: i64 = 5;
/// Points of half an hour.
const HALF_HOUR: usize = 6;
/// From one point to the next a gauge rises by itself by so many deviations of its points, hardly
/// ever by more. Own default.
const RISE_DEVIATIONS: f64 = 6.0;
/// Points kept: a day, so that yesterday's pulses are known.
const KEPT_HOURS: f64 = 26.0;
/// The steady draw is taken over this long, or since the last step if that is shorter.
const DRAW_HOURS: f64 = 6.0;
/// A leak shows within two hours.
const LEAK_HOURS: f64 = 2.0;
/// A forecast further off than this is not told as an alarm. Own default.
const SIGHT_HOURS: f64 = 24.0;

/// What goes within this goes at once. Own default.
const SUDDEN_WITHIN: TimeDelta = TimeDelta::minutes(90);
/// So long after the hour of a round somebody may be watering. Own default.
const ROUND_MAY_LAST: TimeDelta = TimeDelta::hours(2);
/// Waterings closer together than this are one round of hands. Own default.
const SAME_ROUND_HOURS: f64 = 0.25;
/// A low tank of whose draw nothing is known is taken to be empty in so many hours: early,
/// likely, late. Own defaults.
const UNKNOWN_DRAW_HOURS: (f64, f64, f64) = (12.0, 30.0, 96.0);
/// A day's waterings differ from the day before by so much: tenths of the chance. Own default.
const PULSE_SPREAD: (f64, f64) = (0.8, 1.25);

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
    steps: Vec<LevelStep>,
    /// Logged rounds of watering, first to last, hours.
    rounds: Vec<(f64, f64)>,
    drift: Option<Slope>,
    hour: Option<Slope>,
    /// Typical steady draw, learnt from calm hours, litres an hour.
    usual: Option<f64>,
    usual_hours: f64,
    /// Minutes of the last hour and a half, for what goes at once.
    minutes: VecDeque<(Timestamp, f64)>,
    /// The largest fall in a pulse of each of the last days, litres.
    largest_pulses: VecDeque<(i64, f64)>,
    /// It fell at once and nobody logged why.
    sudden: Option<Sudden>,
    leaking: bool,
    /// The newest point the leak test has seen, and what it found.
    tested: Option<(f64, Option<LeakTest>)>,
    drawn_day: f64,
    added_day: f64,
    last_level: Option<(Timestamp, f64)>,
    quiet_from: f64,
    until_drift: i32,
}

/// A large fall that nobody logged.
#[derive(Clone, Copy, Debug)]
struct Sudden {
    at: Timestamp,
    litres: f64,
    minutes: i64,
}

/// Whatever a watch must know besides the level.
#[derive(Clone, Copy, Debug)]
pub struct Use {
    /// Trays on this reservoir, if the journal knows.
    pub trays: Option<u32>,
    /// Places on this reservoir.
    pub places: usize,
    /// A round began lately: somebody may be watering, and type it later.
    pub watering: bool,
    /// Since when the gauge has not moved.
    pub flat_since: Option<Timestamp>,
    /// How long it must stand still before that is odd for this gauge, as it has moved so far.
    pub odd_after: TimeDelta,
}

/// The watches of a site, all at their beginning.
pub(crate) fn watches(rules: &Rules, at: Timestamp) -> Vec<TankWatch> {
    let watch = |tank: &Reservoir| TankWatch::new(tank, rules.channel(tank.channel), at);
    rules.reservoirs.iter().map(watch).collect()
}

/// Takes in a minute of every gauge, and judges.
pub(crate) fn minute(tanks: &mut [TankWatch], seen: &Seen<'_>, means: &[Option<f64>], judged: &mut Vec<Judged>) {
    for (index, (tank, reservoir)) in tanks.iter_mut().zip(&seen.rules.reservoirs).enumerate() {
        let judge = seen.judge(reservoir.channel);
        let known = Use {
            trays: seen.trays.any_sown().then_some(seen.trays_on(reservoir)),
            places: reservoir.feeds.len(),
            watering: seen.at - crate::calendar::last_round(&seen.rules.site, seen.at) < ROUND_MAY_LAST,
            flat_since: judge.flat_since().map(|(since, _)| since),
            odd_after: judge.odd_after(seen.at),
        };
        let fresh = seen.fresh(reservoir.channel).is_some();
        let held = |kind| seen.alarms.is_held(kind, &reservoir.id);
        tank.minute(seen.at, means[usize::from(reservoir.channel.0)]);
        let found = tank.judge(seen.at, &reservoir.name, reservoir.low_percent, known, fresh, held);
        let subject = Subject::Reservoir(ReservoirId(index as u16));
        judged.extend(found.map(|found| Judged::of(subject.clone(), found)));
    }
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
            minutes: VecDeque::new(),
            largest_pulses: VecDeque::new(),
            sudden: None,
            leaking: false,
            tested: None,
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
        self.tested = None;
        self.sudden = None;
        self.minutes.clear();
    }

    /// Somebody logged a watering from this tank: what goes while the round lasts is no slope.
    pub fn watered(&mut self, at: Timestamp) {
        let hours = self.hours(at);
        // Somebody knows where it went.
        self.tested = None;
        self.sudden = None;
        self.minutes.clear();
        match self.rounds.last_mut().filter(|round| hours - round.1 < SAME_ROUND_HOURS) {
            Some(round) => round.1 = hours,
            None => self.rounds.push((hours, hours)),
        }
    }

    /// Litres the level fell over a span, from the higher half hour of its first half to its last
    /// half hour; `None` when it was not watched, or water was poured in.
    pub fn fell_between(&self, from: Timestamp, until: Timestamp) -> Option<f64> {
        let (from, until) = (self.hours(from), self.hours(until));
        let all: Vec<Point> = self.points.iter().copied().collect();
        let span: Vec<Point> = all.iter().copied().filter(|(when, _)| (from..=until).contains(when)).collect();
        let (first, last) = (span.first()?, span.last()?);
        let rise = (3.0 * self.noise()).max(RISE_DEVIATIONS * drawn::scatter(&all));
        let poured = self.quiet_from >= from || span.windows(2).any(|pair| pair[1].1 - pair[0].1 > rise);
        let watched =
            first.0 - from < 0.25 && until - last.0 < 0.25 && span.windows(2).all(|pair| pair[1].0 - pair[0].0 < 0.5);
        if poured || !watched {
            return None;
        }
        let level = |points: &[Point]| median(&points.iter().map(|(_, litres)| *litres).collect::<Vec<f64>>());
        let half = span.partition_point(|(when, _)| *when <= (from + until) / 2.0);
        let high = span[..half].chunks(HALF_HOUR).filter_map(level).reduce(f64::max)?;
        let low = level(&span[half.max(span.len().saturating_sub(HALF_HOUR))..])?;
        Some((high - low).max(0.0))
    }

    /// Takes in the minute mean, in litres.
    pub fn minute(&mut self, at: Timestamp, litres: Option<f64>) {
        if let Some(litres) = litres {
            self.last_level = Some((at, litres));
            self.pending.push(litres);
            self.minutes.push_back((at, litres));
            while self.minutes.front().is_some_and(|(when, _)| at - *when > SUDDEN_WITHIN) {
                self.minutes.pop_front();
            }
        }
        if at.timestamp().div_euclid(60).rem_euclid(POINT_MINUTES) != 0 || self.pending.is_empty() {
            return;
        }
        let Some(middle) = median(&self.pending) else {
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
            empty_at: forecast.map(|empty| (empty.likely, empty.early, empty.late)),
            to_fill: full - usable,
            waterings: self.pulses(self.hours(at)).iter().map(|(_, litres)| litres).sum(),
        };
        let is_empty = usable <= self.bottom() || (held(ReservoirEmpty) && percent < 6.0);
        let empty = if is_empty {
            Condition::Present { harm: Some(Harm::certain(at)), evidence: evidence.clone() }
        } else {
            gone(held(ReservoirEmpty), &evidence)
        };
        let soon = forecast.filter(|harm| harm.early - at <= hours_span(SIGHT_HOURS));
        let low_line = if held(ReservoirLow) { low_percent + 5.0 } else { low_percent };
        let low = match soon {
            // Empty has its own words; saying "low" beside it would be noise.
            _ if is_empty => Condition::Unknown,
            Some(harm) => Condition::Present { harm: Some(harm), evidence },
            None if percent < low_line => {
                let harm = forecast.unwrap_or(Harm::after(
                    at,
                    UNKNOWN_DRAW_HOURS.0,
                    UNKNOWN_DRAW_HOURS.1,
                    UNKNOWN_DRAW_HOURS.2,
                ));
                Condition::Present { harm: Some(harm), evidence }
            }
            None => gone(held(ReservoirLow), &evidence),
        };
        let leak = if is_empty { Condition::Absent } else { self.leak(at, name, known, usable, held(ReservoirLeak)) };
        [(ReservoirLow, low), (ReservoirEmpty, empty), (ReservoirLeak, leak), (SensorStuck, stuck)]
    }

    /// When the pump draws air. `None`: no measurable draw, or it does already.
    ///
    /// What goes by a leak goes at the rate of the last hour; what plants and pump take goes as
    /// it went in the last day, pulses at their hours.
    pub fn forecast(&self, at: Timestamp) -> Option<Harm> {
        let (when, usable) = self.usable().filter(|(_, usable)| *usable > self.bottom())?;
        let now = self.hours(at);
        let unseen = (now - self.hours(when)).clamp(0.0, 48.0);
        let usable = usable - self.steady_draw().unwrap_or(0.0) * unseen;
        let falling = if self.leaking { self.hour } else { self.drift }.filter(Slope::falls);
        let (best, most, least) = match (falling, self.usual) {
            (Some(slope), _) => (-slope.per_hour, -slope.low, -slope.high),
            // Between two waterings the steady draw may not show yet; what was usual still holds.
            (None, Some(usual)) if usual > 0.0 => (usual, usual * 1.5, usual * 0.5),
            _ => (0.0, 0.0, 0.0),
        };
        let pulses = self.pulses(now);
        let until = |left: f64, rate: f64, pulse: f64| empty_in(left.max(0.0), rate, &pulses, pulse);
        let likely = until(usable, best, 1.0)?;
        // The gauge may read high: then there is less than it says.
        let off = self.accuracy * TENTH_OF_LIMITS;
        let early = until(usable - off, most.min(best * 3.0).max(best), PULSE_SPREAD.1).unwrap_or(likely).min(likely);
        let late = until(usable + off, least.max(best / 3.0), PULSE_SPREAD.0).unwrap_or(likely * 2.0).max(likely);
        Some(Harm::after(at, early, likely, late))
    }

    /// The last centimetre above the inlet is within the gauge's own error.
    fn bottom(&self) -> f64 {
        (self.usable_when_full() * 0.01).max(0.2)
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
}

/// Not so, with the numbers of now where an alarm waits for its return.
fn gone(held: bool, evidence: &Evidence) -> Condition {
    if held { Condition::Gone { evidence: evidence.clone() } } else { Condition::Absent }
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

fn hours_span(hours: f64) -> TimeDelta {
    TimeDelta::seconds((hours * 3600.0).clamp(0.0, 31.0 * 86_400.0) as i64)
}
