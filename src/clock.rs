//! The only file that asks the operating system for the time. It stamps events in one
//! total order, runs on the monotonic clock between looks at the wall clock, and
//! notices when that is set.
//!
//! The wall clock set forward (a board without a battery that has found the time) is
//! followed at once. Set back, it is not: our time never runs backwards, so it goes on
//! at half speed until the wall has caught up.

#![expect(clippy::disallowed_methods, reason = "somebody has to ask the system, and only this file does")]

use crate::units::Timestamp;
use chrono::TimeDelta;
use std::time::{Duration, Instant, SystemTime};

/// Less than this is the ordinary steering of a time service.
const STEP: TimeDelta = TimeDelta::seconds(5);
/// A fast clock waits for a machine that was busy: a tenth of a second's work must not
/// pass for minutes in which no sensor spoke.
const LONGEST_LEAP: TimeDelta = TimeDelta::minutes(2);
/// How fast time goes while the wall catches up.
const CATCHING_UP: f64 = 0.5;

/// A clock that only runs forward.
#[derive(Debug)]
pub struct Clock {
    anchor: Timestamp,
    anchored: Instant,
    speed: f64,
    /// A fast clock has a time of its own, which the wall does not steer.
    own_time: bool,
    last: Timestamp,
    seq: u32,
}

impl Clock {
    /// The time of this machine.
    pub fn system() -> Self {
        Clock::at(wall(), 1.0, false)
    }

    /// A time of its own that begins at `start` and goes `speed` times as fast.
    pub fn fast(start: Timestamp, speed: f64) -> Self {
        Clock::at(start, speed, true)
    }

    fn at(anchor: Timestamp, speed: f64, own_time: bool) -> Self {
        Clock { anchor, anchored: Instant::now(), speed, own_time, last: anchor - TimeDelta::milliseconds(1), seq: 0 }
    }

    /// The time, in whole milliseconds.
    pub fn now(&self) -> Timestamp {
        let passed = self.anchored.elapsed().as_secs_f64() * self.speed;
        (self.anchor + TimeDelta::milliseconds((passed * 1000.0) as i64)).max(self.last)
    }

    /// What was written before this program started lies at `(at, seq)`; stamps come after it.
    pub fn continue_after(&mut self, position: Option<(Timestamp, u32)>) {
        if let Some((at, seq)) = position
            && at > self.last
        {
            self.last = at;
            self.seq = seq + 1;
        }
    }

    /// A stamp for an event: its time, and which one it is within that millisecond.
    pub fn stamp(&mut self) -> (Timestamp, u32) {
        let mut now = self.now();
        if self.own_time && now - self.last > LONGEST_LEAP {
            now = self.last + LONGEST_LEAP;
            self.anchor = now;
            self.anchored = Instant::now();
        }
        if now > self.last {
            self.last = now;
            self.seq = 0;
        }
        let stamp = (self.last, self.seq);
        self.seq += 1;
        stamp
    }

    /// Looks at the wall clock. Says by how much it was set, if it was.
    pub fn look_at_wall(&mut self) -> Option<TimeDelta> {
        if self.own_time {
            return None;
        }
        let wall = wall();
        let off = wall - self.now();
        if off >= TimeDelta::zero() {
            self.anchor = wall;
            self.anchored = Instant::now();
            self.speed = 1.0;
            return (off > STEP).then_some(off);
        }
        let first_seen = self.speed >= 1.0;
        self.anchor = self.now();
        self.anchored = Instant::now();
        self.speed = CATCHING_UP;
        (first_seen && off < -STEP).then_some(off)
    }

    /// How long to sleep until `deadline`.
    pub fn until(&self, deadline: Timestamp) -> Duration {
        let left = (deadline - self.now()).num_milliseconds().max(0) as f64 / 1000.0 / self.speed;
        Duration::from_secs_f64(left.min(3600.0))
    }

    /// How fast it runs.
    pub fn speed(&self) -> f64 {
        self.speed
    }
}

/// How long it is since 1970 by the wall clock; `None` when that stands before.
pub fn since_1970() -> Option<Duration> {
    SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok()
}

/// The library's own question for the time panics before 1970.
fn wall() -> Timestamp {
    timestamp_of(SystemTime::now())
}

fn timestamp_of(time: SystemTime) -> Timestamp {
    let milliseconds = match time.duration_since(SystemTime::UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_millis()),
        Err(before) => i64::try_from(before.duration().as_millis()).map(|until| -until),
    };
    milliseconds.ok().and_then(Timestamp::from_timestamp_millis).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_before_1970_is_read_like_any_other() {
        let before = SystemTime::UNIX_EPOCH - Duration::from_millis(2_678_400_001);
        assert_eq!(timestamp_of(before).to_rfc3339(), "1969-11-30T23:59:59.999+00:00");
    }

    #[test]
    fn stamps_are_one_total_order_even_within_a_millisecond() {
        let start = "2026-03-03T23:00:00Z".parse().expect("a time");
        let mut clock = Clock::fast(start, 1.0);
        clock.continue_after(Some((start + TimeDelta::hours(1), 4)));
        let stamps: Vec<_> = (0..1000).map(|_| clock.stamp()).collect();
        assert!(stamps[0] > (start + TimeDelta::hours(1), 4), "after what was written before");
        assert!(stamps.windows(2).all(|pair| pair[0] < pair[1]));
    }
}
