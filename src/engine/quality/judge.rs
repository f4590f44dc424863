//! From heard to believed: the only place that makes a `Reading`.
//!
//! Each channel is judged by the tests of the QARTOD manuals as far as they can be
//! made while the data streams (range, spike, rate, flat line), by the fault codes
//! of common probes, and by what its claims of time are worth. Which alarm follows
//! is the business of `watch::sensors`.

use crate::float;
use crate::physics::tank_geometry::{Shape, distance_corrected_for_air};
use crate::quality::fault_codes;
use crate::quality::judgement::{Doubt, Judgement, Reading};
use crate::quality::leaps::Leaps;
use crate::quality::qartod::{Bounds, changes_faster, gross_range};
use crate::quality::saturation::{Pinned, Saturation};
use crate::reading::{ChannelId, Flag, Quantity, RawReading};
use crate::rules::Rules;
use crate::units::{Celsius, Timestamp};
use chrono::TimeDelta;

/// Measured longer ago than this (or three intervals), a reading is history. Own default.
const LATE: TimeDelta = TimeDelta::minutes(5);
/// Without a believed value for this long there is nothing to compare a jump with. Own default.
const FORGET_JUMP: TimeDelta = TimeDelta::minutes(15);
/// Both halves of one message are learnt of within this. Own default.
const ONE_MESSAGE: TimeDelta = TimeDelta::seconds(2);
/// After so long without any movement one channel alone is called stuck; together
/// with its sister channel on the same device a quarter of it is enough
/// (3 h and 12 h: own defaults).
pub(crate) const STUCK_ALONE: TimeDelta = TimeDelta::hours(12);
/// See [`STUCK_ALONE`].
pub(crate) const STUCK_TOGETHER: TimeDelta = TimeDelta::hours(3);
/// A sensor that has moved all the time is stuck much sooner: after so many times the
/// longest standstill it has shown, but not before two hours. Known well enough after
/// this many movements and hours. Own defaults.
const STANDSTILLS: i32 = 20;
const STUCK_LEAST: TimeDelta = TimeDelta::hours(2);
const MOVEMENTS_KNOWN: u32 = 50;
const KNOWN_AFTER: TimeDelta = TimeDelta::hours(4);

/// What one channel's judge remembers.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Judge {
    channel: ChannelId,
    quantity: Quantity,
    every: TimeDelta,
    limits: Limits,
    gain: f64,
    offset: f64,
    gauge: Option<Gauge>,
    /// The last believed value (in the believed unit) and when we learnt of it.
    last: Option<(Timestamp, f64)>,
    /// A jump that waits for the next reading to confirm it.
    held: Option<(Timestamp, f64)>,
    leaps: Leaps,
    last_claim: Option<(Timestamp, Timestamp, f64)>,
    steady_lag: u8,
    flat: Option<Flat>,
    longest_standstill: TimeDelta,
    movements: u32,
    moving_since: Option<Timestamp>,
    saturation: Saturation,
    resolution: f64,
    ceiling: f64,
    /// For a gauge whose echo is corrected: the air, as long as it is known.
    air: Option<Celsius>,
    uncorrected: bool,
    /// The other half of this message was a fault code.
    broken_frame: Option<Timestamp>,
}

/// How a level gauge becomes litres.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Gauge {
    shape: Shape,
    sensor_height_mm: f64,
    height_mm: f64,
    capacity: f64,
    /// For what air the gauge itself reckons, where we correct its echo.
    assumed: Option<Celsius>,
}

/// The span of raw values since the channel last moved.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Flat {
    since: Timestamp,
    low: f64,
    high: f64,
    count: u32,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Limits {
    fail: Bounds,
    suspect: Bounds,
    /// Jump that needs confirming, in the believed unit.
    jump: f64,
    /// Change a minute that is odd, in the believed unit.
    rate: f64,
    /// A live channel moves by more than this, in the raw unit.
    flat: f64,
}

impl Judge {
    /// A judge for one channel of the rules.
    pub fn new(rules: &Rules, id: ChannelId) -> Self {
        let channel = rules.channel(id);
        let sensor = rules.sensor(channel.sensor);
        let gauge = sensor.reservoir.map(|reservoir| {
            let reservoir = rules.reservoir(reservoir);
            Gauge {
                shape: reservoir.shape.clone(),
                sensor_height_mm: reservoir.sensor_height_mm,
                height_mm: reservoir.shape.height_mm(),
                capacity: reservoir.shape.capacity_litres(),
                assumed: reservoir.echo.map(|echo| echo.assumed),
            }
        });
        let limits = limits(channel.quantity, gauge.as_ref(), channel.resolution, sensor.surface.is_some());
        Judge {
            gain: channel.gain,
            offset: channel.offset,
            ceiling: channel.ceiling,
            ..Judge::uncalibrated(id, channel.quantity, sensor.every, limits, channel.resolution, gauge)
        }
    }

    /// A judge that has heard nothing, of a channel that needs no correction.
    fn uncalibrated(
        channel: ChannelId,
        quantity: Quantity,
        every: TimeDelta,
        limits: Limits,
        resolution: f64,
        gauge: Option<Gauge>,
    ) -> Judge {
        Judge {
            channel,
            quantity,
            every,
            limits,
            gain: 1.0,
            offset: 0.0,
            gauge,
            last: None,
            held: None,
            leaps: Leaps::default(),
            last_claim: None,
            steady_lag: 0,
            flat: None,
            longest_standstill: TimeDelta::zero(),
            movements: 0,
            moving_since: None,
            saturation: Saturation::default(),
            resolution,
            ceiling: 100.0,
            air: None,
            uncorrected: false,
            broken_frame: None,
        }
    }

    /// How warm the air is through which a gauge's echo goes; `None`: not known any more.
    pub(crate) fn hear_air(&mut self, air: Option<Celsius>) {
        self.air = air;
    }

    /// What came in the same message was a fault code.
    pub(crate) fn frame_broke(&mut self, at: Timestamp) {
        self.broken_frame = Some(at);
    }

    /// How it stands with respect to the top of its scale; of a silent one that is not known.
    pub fn pinned(&self, at: Timestamp) -> Pinned {
        if self.speaks(at) { self.saturation.at(at) } else { Pinned::No }
    }

    /// An echo that should be corrected for the warmth of the air could not be, last time.
    pub(crate) fn is_uncorrected(&self, at: Timestamp) -> bool {
        self.uncorrected && self.speaks(at)
    }

    fn speaks(&self, at: Timestamp) -> bool {
        self.last.is_some_and(|(when, _)| at - when <= FORGET_JUMP.max(self.every * 5))
    }

    /// Judges one raw reading learnt of at `at`.
    pub fn judge(&mut self, at: Timestamp, raw: RawReading) -> Judgement {
        if raw.retained {
            return refuse(raw, Flag::Unknown, Doubt::Retained);
        }
        if let Some(doubt) = self.impossible(at, raw.value()) {
            return refuse(raw, Flag::Fail, doubt);
        }
        let claim = raw.measured_at;
        if let Some(claim) = claim
            && self.last_claim.is_some_and(|(_, last, value)| last == claim && value == raw.value())
        {
            return refuse(raw, Flag::Unknown, Doubt::Duplicate);
        }
        let late = self.lateness(at, raw);
        let Some(value) = self.believable(raw.value(), self.air.filter(|_| !late)) else {
            return refuse(raw, Flag::Fail, Doubt::Range);
        };
        if late {
            // It fills the history at its own time; the present is not its business, nor the
            // present's warm air: an echo of then is taken as it came.
            let measured_at = claim.unwrap_or(at);
            let echo = self.gauge.as_ref().is_some_and(|gauge| gauge.assumed.is_some());
            let flag = if echo { Flag::Suspect } else { Flag::Good };
            let believed = Reading::passed_by_quality(self.channel, measured_at, value, flag);
            return Judgement { raw, flag, reason: Some(Doubt::Late), believed: Some(believed) };
        }
        self.note_movement(at, raw.value());
        let jumped = self.jumped(at, value);
        if self.leaps.is_no_word(value, jumped, self.limits.jump) {
            self.held = Some((at, value));
            return refuse(raw, Flag::Unknown, Doubt::Spike);
        }
        let doubt = self.oddity(at, raw.value(), value);
        self.held = None;
        self.last = Some((at, value));
        let flag = if doubt.is_some() { Flag::Suspect } else { Flag::Good };
        let measured_at = if self.steady_lag > 0 { at } else { claim.unwrap_or(at) };
        let believed = Reading::passed_by_quality(self.channel, measured_at, value, flag);
        Judgement { raw, flag, reason: doubt, believed: Some(believed) }
    }

    /// Since when the raw value has not moved, and how many readings said so.
    pub(crate) fn flat_since(&self) -> Option<(Timestamp, u32)> {
        self.flat.map(|flat| (flat.since, flat.count))
    }

    /// How long it must stand still before that is odd for it, at most [`STUCK_ALONE`].
    pub(crate) fn odd_after(&self, at: Timestamp) -> TimeDelta {
        let known =
            self.movements >= MOVEMENTS_KNOWN && self.moving_since.is_some_and(|since| at - since >= KNOWN_AFTER);
        if known { (self.longest_standstill * STANDSTILLS).clamp(STUCK_LEAST, STUCK_ALONE) } else { STUCK_ALONE }
    }

    /// What it reports.
    pub fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// The last believed value and when we learnt of it.
    pub fn last(&self) -> Option<(Timestamp, f64)> {
        self.last
    }

    fn impossible(&self, at: Timestamp, value: f64) -> Option<Doubt> {
        let near_last = self.last.is_some_and(|(_, last)| (value - last).abs() <= self.limits.jump);
        if gross_range(value, self.limits.fail, Bounds::NONE) == Flag::Fail {
            let code = fault_codes::outside(self.quantity, value);
            return Some(if code { Doubt::FaultCode } else { Doubt::Range });
        }
        let broken = match self.quantity {
            Quantity::Temperature => fault_codes::bus_without_probe(value) && !near_last,
            Quantity::Humidity => {
                let same_message = self.broken_frame.is_some_and(|when| at - when < ONE_MESSAGE);
                same_message && fault_codes::end_of_frame(value)
            }
            Quantity::Distance => value <= 0.0,
            Quantity::Depth | Quantity::Volume | Quantity::Filling => false,
        };
        broken.then_some(Doubt::FaultCode)
    }

    /// The believed value: calibrated, clamped where the scale ends, litres for a tank.
    fn believable(&self, raw: f64, air: Option<Celsius>) -> Option<f64> {
        let raw = match (self.gauge.as_ref().and_then(|gauge| gauge.assumed), air) {
            (Some(assumed), Some(air)) => distance_corrected_for_air(raw, assumed, air),
            _ => raw,
        };
        let value = raw * self.gain + self.offset;
        let in_tank = |litres: &dyn Fn(&Gauge) -> f64| self.gauge.as_ref().map_or(value, litres);
        let value = match self.quantity {
            Quantity::Temperature => value,
            Quantity::Humidity => value.clamp(0.0, 100.0),
            Quantity::Distance => {
                in_tank(&|gauge| gauge.shape.litres((gauge.sensor_height_mm - value).clamp(0.0, gauge.height_mm)))
            }
            Quantity::Depth => in_tank(&|gauge| gauge.shape.litres(value.clamp(0.0, gauge.height_mm))),
            Quantity::Filling => in_tank(&|gauge| gauge.capacity * value.clamp(0.0, 100.0) / 100.0),
            Quantity::Volume => in_tank(&|gauge| value.clamp(0.0, gauge.capacity)),
        };
        value.is_finite().then(|| float::round(value * 1000.0) / 1000.0)
    }

    /// A claim is late when it lies well before its arrival, unless the sensor's clock
    /// is simply off: then claims arrive as steadily as they are made.
    fn lateness(&mut self, at: Timestamp, raw: RawReading) -> bool {
        let Some(claim) = raw.measured_at else {
            return false;
        };
        let lag = at - claim;
        let before = self.last_claim.replace((at, claim, raw.value()));
        if lag <= LATE.max(self.every * 3) {
            self.steady_lag = 0;
            return false;
        }
        let steady = before.is_some_and(|(arrived, claimed, _)| {
            let apart = (at - arrived) - (claim - claimed);
            apart.abs() <= self.every / 2 && claim > claimed && at - arrived >= self.every / 2
        });
        self.steady_lag = if steady { self.steady_lag.saturating_add(1) } else { 0 };
        self.steady_lag < 3
    }

    fn note_movement(&mut self, at: Timestamp, raw: f64) {
        let tolerance = self.limits.flat;
        match &mut self.flat {
            Some(flat) if raw.max(flat.high) - raw.min(flat.low) < tolerance => {
                flat.low = flat.low.min(raw);
                flat.high = flat.high.max(raw);
                flat.count = flat.count.saturating_add(1);
            }
            flat => {
                if let Some(stood) = flat {
                    // A silence is no standstill; only readings that agree make one.
                    if stood.count > 1 {
                        self.longest_standstill = self.longest_standstill.max(at - stood.since);
                    }
                    self.movements = self.movements.saturating_add(1);
                }
                self.moving_since.get_or_insert(at);
                *flat = Some(Flat { since: at, low: raw, high: raw, count: 1 });
            }
        }
    }

    fn jumped(&self, at: Timestamp, value: f64) -> bool {
        let confirmed = self.held.is_some_and(|(_, held)| (value - held).abs() <= self.limits.jump);
        let Some((when, last)) = self.last else {
            return false;
        };
        !confirmed && at - when <= FORGET_JUMP.max(self.every * 5) && (value - last).abs() > self.limits.jump
    }

    fn oddity(&mut self, at: Timestamp, raw: f64, value: f64) -> Option<Doubt> {
        if self.quantity == Quantity::Humidity {
            self.saturation.take(at, raw, value, self.ceiling, self.resolution);
            if matches!(self.saturation.at(at), Pinned::Saturated(_) | Pinned::Recovering(_)) {
                return Some(Doubt::Saturated);
            }
        }
        self.uncorrected = self.air.is_none() && self.gauge.as_ref().is_some_and(|gauge| gauge.assumed.is_some());
        if self.uncorrected {
            return Some(Doubt::Uncorrected);
        }
        if gross_range(value, Bounds::NONE, self.limits.suspect) == Flag::Suspect {
            return Some(Doubt::Range);
        }
        if let Some((when, last)) = self.last {
            // Room air may change fast behind an opened door; the rate only informs.
            let minutes = ((at - when).num_milliseconds() as f64 / 60_000.0).max(1.0);
            if changes_faster(last, value, minutes, self.limits.rate) {
                return Some(Doubt::Rate);
            }
        }
        None
    }
}

fn refuse(raw: RawReading, flag: Flag, doubt: Doubt) -> Judgement {
    Judgement { raw, flag, reason: Some(doubt), believed: None }
}

/// Own defaults for air; for tanks a fiftieth beyond the walls.
fn limits(quantity: Quantity, gauge: Option<&Gauge>, resolution: f64, on_surface: bool) -> Limits {
    let within = |low: f64, high: f64| Bounds { low, high };
    let (height, capacity) = gauge.map_or((f64::INFINITY, f64::INFINITY), |g| (g.height_mm, g.capacity));
    let mount = gauge.map_or(f64::INFINITY, |g| g.sensor_height_mm);
    let tank_jump = (capacity * 0.1).max(0.5);
    let half_step = resolution / 2.0;
    match quantity {
        // A chiller line freezes, and a lamp's housing burns fingers; both change fast. Own defaults.
        Quantity::Temperature if on_surface => Limits {
            fail: within(-30.0, 80.0),
            suspect: within(-20.0, 60.0),
            jump: 10.0,
            rate: 2.0,
            flat: half_step.max(0.02),
        },
        Quantity::Temperature => Limits {
            fail: within(-10.0, 60.0),
            suspect: within(5.0, 40.0),
            jump: 5.0,
            rate: 0.4,
            flat: half_step.max(0.02),
        },
        Quantity::Humidity => Limits {
            fail: within(1.0, 105.0),
            suspect: within(15.0, 100.0),
            jump: 25.0,
            rate: 3.0,
            flat: half_step.max(0.1),
        },
        Quantity::Distance => Limits {
            fail: within(mount - height * 1.02, mount + height * 0.02),
            suspect: Bounds::NONE,
            jump: tank_jump,
            rate: f64::INFINITY,
            flat: half_step.max(0.1),
        },
        Quantity::Depth => Limits {
            fail: within(-height * 0.02, height * 1.02),
            suspect: Bounds::NONE,
            jump: tank_jump,
            rate: f64::INFINITY,
            flat: half_step.max(0.1),
        },
        Quantity::Volume => Limits {
            fail: within(-capacity * 0.02, capacity * 1.02),
            suspect: Bounds::NONE,
            jump: tank_jump,
            rate: f64::INFINITY,
            flat: half_step.max(0.01),
        },
        Quantity::Filling => Limits {
            fail: within(-2.0, 102.0),
            suspect: Bounds::NONE,
            jump: tank_jump,
            rate: f64::INFINITY,
            flat: half_step.max(0.05),
        },
    }
}

#[cfg(test)]
mod tests;
