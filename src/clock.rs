//! The only file that asks the operating system for the time. It stamps events in one
//! total order, runs on the monotonic clock between looks at the wall clock, and
//! notices when that is set.
//!
//! A clock that has just moved is not believed: only when it has stood by its new time for
//! [`SETTLES`] is it followed, so that a time service that errs for seconds changes nothing.
//! Our time never runs backwards while the daemon runs. A clock that was set back is
//! followed by beginning again: what was written under the wrong one is moved
//! (`store::redate`), and the engine lives through it anew.

#![expect(clippy::disallowed_methods, reason = "somebody has to ask the system, and only this file does")]

use crate::units::Timestamp;
use chrono::TimeDelta;
use std::time::{Duration, Instant, SystemTime};

/// Less than this is the ordinary steering of a time service.
const STEP: TimeDelta = TimeDelta::seconds(5);
/// How long a clock that moved must stand by it before it is believed. Time services set a
/// clock once and are right; own choice.
const SETTLES: Duration = Duration::from_secs(30);
/// A fast clock waits for a machine that was busy: a tenth of a second's work must not
/// pass for minutes in which no sensor spoke.
const LONGEST_LEAP: TimeDelta = TimeDelta::minutes(2);
/// How fast time goes while the wall catches up with the few seconds of [`STEP`].
const CATCHING_UP: f64 = 0.5;
/// A clock before this was never set (2026-01-01T00:00:00Z, before this program was written).
const NEVER_SET_BEFORE: i64 = 1_767_225_600_000;

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
    moved: Option<Moved>,
    /// The wall stands off by this and is wrong.
    disbelieved: Option<TimeDelta>,
}

/// The wall clock stands elsewhere than it should.
#[derive(Clone, Copy, Debug)]
struct Moved {
    by: TimeDelta,
    seen: Instant,
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
        Clock {
            anchor,
            anchored: Instant::now(),
            speed,
            own_time,
            last: anchor - TimeDelta::milliseconds(1),
            seq: 0,
            moved: None,
            disbelieved: None,
        }
    }

    /// The time, in whole milliseconds.
    pub fn now(&self) -> Timestamp {
        self.time_at(Instant::now())
    }

    fn time_at(&self, instant: Instant) -> Timestamp {
        let passed = instant.saturating_duration_since(self.anchored).as_secs_f64() * self.speed;
        (self.anchor + TimeDelta::milliseconds((passed * 1000.0) as i64)).max(self.last)
    }

    /// A board without a battery begins in 1970, or wherever its maker set it.
    pub(crate) fn was_never_set(&self) -> bool {
        !self.own_time && self.now().timestamp_millis() < NEVER_SET_BEFORE
    }

    /// How far what was written last, at `position`, lies in the future.
    pub(crate) fn is_behind(&self, position: Option<(Timestamp, u32)>) -> Option<TimeDelta> {
        let behind = position?.0 - self.now();
        (!self.own_time && behind > STEP).then_some(behind)
    }

    /// What was written before this program started lies at `(at, seq)`; stamps come after
    /// it, and where the wall clock lies before it, time goes on from there.
    pub(crate) fn continue_after(&mut self, position: Option<(Timestamp, u32)>) {
        if let Some((at, seq)) = position
            && at > self.last
        {
            if at > self.now() {
                self.anchor = at;
                self.anchored = Instant::now();
            }
            self.last = at;
            self.seq = seq + 1;
        }
    }

    /// The wall clock lies behind what was written, and the record is right: it is not
    /// followed. Says by how much it is off.
    pub(crate) fn disbelieve_wall(&mut self) -> TimeDelta {
        let off = wall() - self.now();
        self.disbelieved = Some(off);
        off
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

    /// Looks at the wall clock. Says by how much it was set, if it was and has stood by it;
    /// says so again until it is followed ([`Clock::follow_forward`]), not believed, or a
    /// new clock takes the place of this one.
    pub(crate) fn look_at_wall(&mut self) -> Option<TimeDelta> {
        if self.own_time { None } else { self.compare(wall(), Instant::now()) }
    }

    fn compare(&mut self, wall: Timestamp, instant: Instant) -> Option<TimeDelta> {
        let ours = self.time_at(instant);
        let off = wall - ours;
        if off.abs() <= STEP {
            self.moved = None;
            self.disbelieved = None;
            let ahead = off < TimeDelta::zero();
            self.anchor = if ahead { ours } else { wall };
            self.anchored = instant;
            self.speed = if ahead { CATCHING_UP } else { 1.0 };
            return None;
        }
        if self.speed < 1.0 {
            self.anchor = ours;
            self.anchored = instant;
            self.speed = 1.0;
        }
        if self.disbelieved.is_some_and(|before| (before - off).abs() <= STEP) {
            return None;
        }
        match self.moved {
            Some(Moved { by, seen }) if (by - off).abs() <= STEP => (instant - seen >= SETTLES).then_some(off),
            _ => {
                self.moved = Some(Moved { by: off, seen: instant });
                None
            }
        }
    }

    /// Goes to the wall's time, which lies ahead.
    pub(crate) fn follow_forward(&mut self, by: TimeDelta) {
        self.anchor = self.now() + by;
        self.anchored = Instant::now();
        self.moved = None;
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
pub(crate) fn since_1970() -> Option<Duration> {
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

    fn start() -> Timestamp {
        "2026-03-03T23:00:00Z".parse().expect("a time")
    }

    /// A clock that began at `start`, when this instant was.
    fn clock() -> (Clock, Instant) {
        let mut clock = Clock::at(start(), 1.0, false);
        clock.last = start() - TimeDelta::days(1);
        let began = clock.anchored;
        (clock, began)
    }

    /// What it says in a look after so many seconds, with the wall off by `off` seconds.
    fn look(clock: &mut Clock, began: Instant, seconds: u64, off: i64) -> Option<i64> {
        let passed = TimeDelta::seconds(seconds as i64);
        let said = clock.compare(start() + passed + TimeDelta::seconds(off), began + Duration::from_secs(seconds));
        said.map(|by| by.num_seconds())
    }

    #[test]
    fn a_clock_before_1970_is_read_like_any_other() {
        let before = SystemTime::UNIX_EPOCH - Duration::from_millis(2_678_400_001);
        assert_eq!(timestamp_of(before).to_rfc3339(), "1969-11-30T23:59:59.999+00:00");
    }

    #[test]
    fn stamps_are_one_total_order_even_within_a_millisecond() {
        let start = start();
        let mut clock = Clock::fast(start, 1.0);
        clock.continue_after(Some((start + TimeDelta::hours(1), 4)));
        let stamps: Vec<_> = (0..1000).map(|_| clock.stamp()).collect();
        assert!(stamps[0] > (start + TimeDelta::hours(1), 4), "after what was written before");
        assert!(stamps.windows(2).all(|pair| pair[0] < pair[1]));
    }

    #[test]
    fn four_hundred_days_ahead_for_twelve_seconds_are_not_believed() {
        let (mut clock, began) = clock();
        for second in (5..=20).step_by(5) {
            assert_eq!(look(&mut clock, began, second, 400 * 86_400), None);
        }
        assert_eq!(look(&mut clock, began, 25, 0), None);
        assert_eq!(clock.time_at(began + Duration::from_secs(60)), start() + TimeDelta::seconds(60));
    }

    #[test]
    fn a_step_either_way_is_said_once_it_has_stood_for_half_a_minute() {
        for off in [3_600, -3_600, 365 * 86_400, -365 * 86_400] {
            let (mut clock, began) = clock();
            assert_eq!(look(&mut clock, began, 5, off), None);
            assert_eq!(look(&mut clock, began, 30, off), None);
            assert_eq!(look(&mut clock, began, 35, off), Some(off));
        }
    }

    #[test]
    fn after_a_step_back_time_goes_on_at_its_ordinary_pace() {
        let (mut clock, began) = clock();
        for second in (5..=600).step_by(5) {
            look(&mut clock, began, second, -3_600);
        }
        assert_eq!(clock.time_at(began + Duration::from_secs(610)), start() + TimeDelta::seconds(610));
    }

    #[test]
    fn the_steering_of_a_time_service_is_followed_and_never_backwards() {
        let (mut clock, began) = clock();
        assert_eq!(look(&mut clock, began, 5, -3), None);
        let before = clock.time_at(began + Duration::from_secs(5));
        assert_eq!(clock.time_at(began + Duration::from_secs(11)), before + TimeDelta::seconds(3), "at half speed");
        assert_eq!(look(&mut clock, began, 11, 0), None);
        assert_eq!(clock.time_at(began + Duration::from_secs(12)), start() + TimeDelta::seconds(12));
    }

    #[test]
    fn a_wall_that_was_found_wrong_is_quiet_until_it_moves_again() {
        let (mut clock, began) = clock();
        clock.disbelieved = Some(TimeDelta::days(-365));
        assert_eq!(look(&mut clock, began, 40, -365 * 86_400), None);
        assert_eq!(look(&mut clock, began, 80, -365 * 86_400), None);
        assert_eq!(look(&mut clock, began, 85, -7_200), None);
        assert_eq!(look(&mut clock, began, 120, -7_200), Some(-7_200));
    }

    #[test]
    fn a_start_before_what_was_written_goes_on_from_there_at_ordinary_pace() {
        let mut clock = Clock::at(Timestamp::UNIX_EPOCH, 1.0, false);
        assert!(clock.was_never_set());
        assert!(clock.is_behind(Some((start(), 0))).is_some());
        clock.continue_after(Some((start(), 0)));
        assert_eq!(clock.time_at(clock.anchored + Duration::from_secs(60)), start() + TimeDelta::seconds(60));
    }
}
