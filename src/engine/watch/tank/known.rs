//! What is known of one reservoir: its points, what was poured in and watered, and what was
//! understood of them so far. The other files of this room judge by it.

use crate::alarm::{Condition, Evidence};
use crate::physics::draw::{LevelPoint, LevelStep};
use crate::physics::slope::Slope;
use crate::rules::{Channel, Reservoir};
use crate::units::Timestamp;
use alloc::collections::VecDeque;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// One point in this many minutes; enough for slopes of hours, little enough to keep a day.
pub(super) const POINT_MINUTES: i64 = 5;
/// Points kept: a day, so that yesterday's pulses are known.
pub(super) const KEPT_HOURS: f64 = 26.0;
/// The steady draw is taken over this long, or since the last step if that is shorter.
pub(super) const DRAW_HOURS: f64 = 6.0;
/// A leak shows within two hours.
pub(super) const LEAK_HOURS: f64 = 2.0;
/// A watering in the log explains what goes within this, hours. Own default.
pub(super) const SUDDEN_EXPLAINED_HOURS: f64 = 1.0;
/// Waterings closer together than this are one round of hands. Own default.
pub(super) const SAME_ROUND_HOURS: f64 = 0.25;

/// What one reservoir has done lately.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct TankWatch {
    pub(super) capacity: f64,
    pub(super) reserve: f64,
    /// Litres the gauge may be off by near the pump inlet, where it counts.
    pub(super) accuracy: f64,
    pub(super) epoch: Timestamp,
    pub(super) points: VecDeque<LevelPoint>,
    pub(super) pending: Vec<f64>,
    pub(super) steps: Vec<LevelStep>,
    /// Logged rounds of watering, first to last, hours.
    pub(super) rounds: Vec<(f64, f64)>,
    pub(super) drift: Option<Slope>,
    pub(super) hour: Option<Slope>,
    /// Typical steady draw, learnt from calm hours, litres an hour.
    pub(super) usual: Option<f64>,
    pub(super) usual_hours: f64,
    /// Minutes of the last hour and a half, for what goes at once.
    pub(super) minutes: VecDeque<(Timestamp, f64)>,
    /// Litres by which these scatter; `None`: too few are known.
    pub(super) scatter_of_minutes: Option<f64>,
    /// The largest fall in a pulse of each of the last days, litres.
    pub(super) largest_pulses: VecDeque<(i64, f64)>,
    /// It fell at once and nobody logged why.
    pub(super) sudden: Option<Sudden>,
    /// From when to when water went at once and nobody said where, hours: no watering that comes
    /// again tomorrow.
    pub(super) spills: Vec<(f64, f64)>,
    /// Since when the pump draws air, while it does.
    pub(super) empty_since: Option<Timestamp>,
    pub(super) leaking: bool,
    /// While it leaks: when it was last looked at, hours, and the litres gone since it began.
    pub(super) losing: Option<(f64, f64)>,
    /// When the level was last found to stand after a leak, hours.
    pub(super) stood_at: f64,
    /// The newest point the leak test has seen, and what it found.
    pub(super) tested: Option<(f64, Option<LeakTest>)>,
    pub(super) drawn_day: f64,
    pub(super) added_day: f64,
    pub(super) last_level: Option<(Timestamp, f64)>,
    pub(super) quiet_from: f64,
    pub(super) until_drift: i32,
}

/// A large fall that nobody logged.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Sudden {
    pub(super) at: Timestamp,
    /// The level before it, and until when it stood there.
    pub(super) before: f64,
    pub(super) since: Timestamp,
    pub(super) litres: f64,
    pub(super) minutes: i64,
}

/// Whatever a watch must know besides the level.
#[derive(Clone, Copy, Debug)]
pub struct Use {
    /// Trays on this reservoir, if the journal knows.
    pub trays: Option<u32>,
    /// Places on this reservoir.
    pub places: usize,
    /// The hour of a round that began lately: somebody may be watering, and type it later.
    pub round_at: Option<Timestamp>,
    /// Since when people sleep, while they do.
    pub asleep_since: Option<Timestamp>,
    /// Since when the gauge has not moved.
    pub flat_since: Option<Timestamp>,
    /// How long it must stand still before that is odd for this gauge, as it has moved so far.
    pub odd_after: TimeDelta,
}

/// What the leak test found.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct LeakTest {
    /// The sum went beyond its limit, and the newest half hours go the same way.
    pub(super) proven: bool,
    /// Litres gone since the sum began to grow.
    pub(super) lost: f64,
    /// Litres an hour over the newest hour.
    pub(super) draw: f64,
    /// Litres an hour since the sum began to grow.
    pub(super) rate: f64,
    /// The level stands, as far as the gauge can tell.
    pub(super) stands: bool,
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
            scatter_of_minutes: None,
            largest_pulses: VecDeque::new(),
            sudden: None,
            spills: Vec::new(),
            empty_since: None,
            leaking: false,
            losing: None,
            stood_at: f64::NEG_INFINITY,
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
    pub(crate) fn usable_when_full(&self) -> f64 {
        (self.capacity - self.reserve).max(0.001)
    }

    /// Litres drawn and added since this was last asked.
    pub(crate) fn take_day(&mut self) -> (f64, f64) {
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
        self.forget_minutes();
    }

    /// Somebody logged a watering from this tank, of now or of a while ago: what goes while the
    /// round lasts is no slope, and what went at once about then is explained.
    pub fn watered(&mut self, at: Timestamp) {
        let hours = self.hours(at);
        let explained = at + TimeDelta::minutes((SUDDEN_EXPLAINED_HOURS * 60.0) as i64);
        self.tested = None;
        self.sudden = self.sudden.filter(|sudden| sudden.since > explained);
        let over = |spill: &(f64, f64)| hours - spill.1 > SAME_ROUND_HOURS || spill.0 - hours > SUDDEN_EXPLAINED_HOURS;
        self.spills.retain(over);
        self.forget_minutes_until(explained);
        let near = |round: &&mut (f64, f64)| round.0 - hours < SAME_ROUND_HOURS && hours - round.1 < SAME_ROUND_HOURS;
        match self.rounds.iter_mut().find(near) {
            Some(round) => *round = (round.0.min(hours), round.1.max(hours)),
            None => {
                let after = self.rounds.partition_point(|round| round.0 < hours);
                self.rounds.insert(after, (hours, hours));
            }
        }
    }

    /// Litres an hour between waterings; `None`: no measurable draw.
    pub(crate) fn steady_draw(&self) -> Option<f64> {
        match self.drift {
            Some(drift) if drift.falls() => Some(-drift.per_hour),
            _ => self.usual.filter(|usual| *usual > 0.005),
        }
    }

    pub(super) fn hours(&self, at: Timestamp) -> f64 {
        (at - self.epoch).num_seconds() as f64 / 3600.0
    }

    pub(super) fn noise(&self) -> f64 {
        // A gauge step of a few millimetres; half a per cent of the tank stands for it.
        (self.capacity * 0.005).max(0.1)
    }
}

/// Not so, with the numbers of now where an alarm waits for its return.
pub(super) fn gone(held: bool, evidence: &Evidence) -> Condition {
    if held { Condition::Gone { evidence: evidence.clone() } } else { Condition::Absent }
}
