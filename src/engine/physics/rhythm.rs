//! The rhythm of a day: how a value usually goes on from this hour of the day. Lamps come on,
//! the sun sets, thermostats change their mind at the same hours each day; a forecast that knows
//! only the last hour walks through all of that in a straight line.
//!
//! Of each of the last days the change from this hour to a later one is taken, and of those the
//! middle: one day on which something broke does not make a rhythm. How far days differ is kept
//! beside it. (A persistence forecast by the hour of the day, as meteorology uses one for
//! reference; own form.)

use crate::units::Timestamp;
use alloc::collections::VecDeque;
use alloc::vec::Vec;

/// A mean is kept for each quarter of an hour: lamps go out within a minute, and longer means would
/// make an hour's slope of that.
const SLOT_SECONDS: i64 = 900;
const DAY_SECONDS: i64 = 86_400;
/// So many days are looked back on. An odd number, so that the middle one is a day that was.
const DAYS: i64 = 7;
/// Fewer days than this are no rhythm. Own default.
const FEWEST_DAYS: usize = 3;
/// Half a slot on either side for what is read between two.
const KEPT_SLOTS: i64 = DAYS * DAY_SECONDS / SLOT_SECONDS + 2;

/// What a value did in the last days, by the quarter of an hour.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct DailyRhythm {
    /// The number of the slot that is being filled, counted from 1970.
    newest: i64,
    sum: f64,
    count: u32,
    /// Means of the slots before it, the newest last; `None` where nothing was known. Half of a
    /// float's digits are enough, as hours of them are subtracted.
    means: VecDeque<Option<f32>>,
}

/// By how much a value usually differs later from what it is at this hour.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Change {
    /// On the day on which it fell most or rose least; of five days and more, the next to that.
    pub low: f64,
    /// On the middle day.
    pub middle: f64,
    /// On the day on which it rose most or fell least; of five days and more, the next to that.
    pub high: f64,
}

impl DailyRhythm {
    /// A value at a time; times ascend.
    pub(crate) fn note(&mut self, at: Timestamp, value: f64) {
        let number = at.timestamp().div_euclid(SLOT_SECONDS);
        if self.count == 0 {
            self.newest = number;
        } else if number > self.newest {
            let unknown = (number - self.newest - 1).min(KEPT_SLOTS);
            self.means.push_back(self.filling());
            self.means.extend(core::iter::repeat_n(None, unknown as usize));
            let too_many = self.means.len().saturating_sub(KEPT_SLOTS as usize);
            self.means.drain(..too_many);
            (self.newest, self.sum, self.count) = (number, 0.0, 0);
        }
        self.sum += value;
        self.count += 1;
    }

    /// The mean of the slot that is being filled.
    fn filling(&self) -> Option<f32> {
        (self.count > 0).then(|| (self.sum / f64::from(self.count)) as f32)
    }

    /// By how much the value usually differs at each of these offsets, hours from `at` and within
    /// a day of it, from what it is at this hour. Nothing while fewer than three days are known.
    pub(crate) fn changes(&self, at: Timestamp, offsets: impl Iterator<Item = f64>) -> Vec<Change> {
        let seconds = at.timestamp();
        let bases: Vec<(i64, f64)> = (1..=DAYS)
            .filter_map(|day| {
                let then = seconds - day * DAY_SECONDS;
                Some((then, self.value(then)?))
            })
            .collect();
        let change = |hours: f64| {
            let later = (hours * 3600.0) as i64;
            // What has not happened yet today is looked up on the days before.
            let of_day = |(then, base): &(i64, f64)| Some(self.value(then + later)? - base);
            let mut days: Vec<f64> = bases.iter().filter_map(of_day).collect();
            days.sort_by(f64::total_cmp);
            if days.len() < FEWEST_DAYS {
                return Change::default();
            }
            let (last, outer) = (days.len() - 1, days.len() / 5);
            let middle = (days[last / 2] + days[days.len() / 2]) / 2.0;
            Change { low: days[outer], middle, high: days[last - outer] }
        };
        offsets.map(change).collect()
    }

    /// The value at a second of the past, between the middles of slots; `None` where it is not
    /// known.
    fn value(&self, seconds: i64) -> Option<f64> {
        let from_middle = seconds - SLOT_SECONDS / 2;
        let number = from_middle.div_euclid(SLOT_SECONDS);
        let share = from_middle.rem_euclid(SLOT_SECONDS) as f64 / SLOT_SECONDS as f64;
        match (self.mean(number), self.mean(number + 1)) {
            (Some(before), Some(after)) => Some(before + share * (after - before)),
            (one, other) => one.or(other),
        }
    }

    fn mean(&self, number: i64) -> Option<f64> {
        if number == self.newest {
            return self.filling().map(f64::from);
        }
        let index = self.means.len() as i64 - (self.newest - number);
        let index = usize::try_from(index).ok().filter(|_| number < self.newest)?;
        self.means.get(index).copied().flatten().map(f64::from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> Timestamp {
        Timestamp::from_timestamp(1_772_582_400 + (hours * 3600.0) as i64, 0).unwrap()
    }

    /// Lamps from six to ten at night warm a shelf by four kelvin.
    fn lamps(hours: f64) -> f64 {
        if (6.0..22.0).contains(&(hours % 24.0)) { 24.0 } else { 20.0 }
    }

    fn lived(until: f64, value: impl Fn(f64) -> f64) -> DailyRhythm {
        let mut rhythm = DailyRhythm::default();
        (0..(until * 60.0) as usize)
            .map(|minute| minute as f64 / 60.0)
            .for_each(|hours| rhythm.note(at(hours), value(hours)));
        rhythm
    }

    fn middles(rhythm: &DailyRhythm, hours: f64, offsets: impl IntoIterator<Item = f64>) -> Vec<f64> {
        rhythm.changes(at(hours), offsets.into_iter()).into_iter().map(|change| change.middle).collect()
    }

    #[test]
    fn days_that_differ_are_told_with_how_far() {
        // Each day is a kelvin warmer by noon than the one before it.
        let noons = |hours: f64| {
            let day = (hours / 24.0) as i32;
            if hours % 24.0 >= 12.0 { f64::from(day) } else { 0.0 }
        };
        let rhythm = lived(7.0 * 24.0 + 6.0, noons);
        let found = rhythm.changes(at(7.0 * 24.0 + 6.0), [8.0].into_iter());
        assert_eq!(found, [Change { low: 1.0, middle: 3.0, high: 5.0 }]);
    }

    #[test]
    fn lamps_that_go_out_at_ten_are_foreseen_at_eight() {
        let rhythm = lived(4.0 * 24.0 + 20.0, lamps);
        let found = middles(&rhythm, 4.0 * 24.0 + 20.0, [0.0, 1.0, 3.0, 11.0]);
        assert_eq!(found, [0.0, 0.0, -4.0, 0.0]);
    }

    #[test]
    fn one_day_on_which_something_broke_makes_no_rhythm() {
        let broke = |hours: f64| lamps(hours) - if (50.0..68.0).contains(&hours) { 8.0 } else { 0.0 };
        let rhythm = lived(5.0 * 24.0, broke);
        assert_eq!(middles(&rhythm, 5.0 * 24.0, [3.0, 8.0]), [0.0, 4.0]);
    }

    #[test]
    fn two_days_are_none() {
        let rhythm = lived(68.0, lamps);
        assert_eq!(middles(&rhythm, 68.0, [-1.0, 3.0, 11.0]), [0.0; 3]);
    }

    #[test]
    fn no_more_than_a_week_is_kept() {
        assert_eq!(lived(24.0 * 30.0, lamps).means.len() as i64, KEPT_SLOTS);
    }
}
