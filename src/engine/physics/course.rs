//! Where the air is heading: a forecast that follows the present course and eases towards an
//! equilibrium, as a room does that has lost its heater (Newton's law of cooling: the rate is
//! proportional to the distance still to go, so it falls off exponentially).
//!
//! The rate of the last third of an hour and that of the time before it tell how fast it eases;
//! where they do not, a usual room is assumed. Either may be wrong, so a forecast has three
//! faces: as the figures say, easing half as fast, and easing twice as fast. A door that stood
//! open makes a step and no course: of the rate of the newest minutes and that of the whole
//! hour, the smaller is believed, and none where they disagree.

use crate::float;
use crate::physics::slope::theil_sen;
use crate::units::Timestamp;
use alloc::collections::VecDeque;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// The course is read from so much of the past.
pub(crate) const REMEMBERED: TimeDelta = TimeDelta::minutes(60);
/// The present rate is that of the last so many minutes; few enough to follow a door, enough
/// to see through a sensor's own scatter.
const PRESENT_MINUTES: i64 = 20;
/// Fewer points than this give no rate.
const FEWEST: usize = 8;
/// An hour is too short to tell slower easing from none, and faster is over within it.
const EASES: (f64, f64) = (0.1, 2.0);
/// A usual room comes to two thirds of its way in three hours. Own default.
const USUAL_EASING: f64 = 1.0 / 3.0;
/// Of the minutes of the hour, every fifth is enough for its middle slope.
const THINNED: usize = 5;
/// Hours from the middle of the older span to that of the newer one.
const APART_HOURS: f64 = 0.5;

/// A value, its rate an hour, and the share of that rate that is lost in an hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Course {
    /// The value the line has now.
    pub(crate) value: f64,
    /// How fast it changes now, an hour.
    pub(crate) rate: f64,
    /// Of the rate, an hour, as an exponent.
    pub(crate) easing: f64,
}

impl Course {
    /// Reads the course from the minutes of the last hour, ascending in time; `value` is now.
    /// Without enough of them the air is taken to stay as it is.
    pub(crate) fn of(series: &VecDeque<(Timestamp, f64)>, at: Timestamp, value: f64) -> Course {
        let present = at - TimeDelta::minutes(PRESENT_MINUTES);
        let newer = slope(series.iter().filter(|(when, _)| *when > present), at);
        let older = slope(series.iter().filter(|(when, _)| *when <= present), at);
        let hours = |when: Timestamp| (when - at).num_seconds() as f64 / 3600.0;
        let thinned: Vec<(f64, f64)> =
            series.iter().step_by(THINNED).map(|(when, value)| (hours(*when), *value)).collect();
        let hour = theil_sen(&thinned).map_or(0.0, |slope| slope.per_hour);
        let Some(newer) = newer.filter(|newer| newer * hour > 0.0) else {
            return Course { value, rate: 0.0, easing: USUAL_EASING };
        };
        let easing = match older {
            Some(older) if older * newer > 0.0 && older.abs() > newer.abs() => {
                (float::ln(older / newer) / APART_HOURS).clamp(EASES.0, EASES.1)
            }
            // It gathers pace: a heater has only just gone out.
            Some(older) if older * newer > 0.0 => USUAL_EASING / 2.0,
            _ => USUAL_EASING,
        };
        let rate = if hour.abs() < newer.abs() { hour } else { newer };
        Course { value, rate, easing }
    }

    /// The same without what is no more than usual: a rate an hour from the least to the most of it.
    pub(crate) fn without(self, (least, most): (f64, f64)) -> Course {
        let rate = if self.rate > 0.0 { (self.rate - most).max(0.0) } else { (self.rate - least).min(0.0) };
        Course { rate, ..self }
    }

    /// The same, off by `by`, easing `times` as fast.
    pub(crate) fn but(self, by: f64, times: f64) -> Course {
        Course { value: self.value + by, easing: self.easing * times, ..self }
    }

    /// The values in steps of `step_hours`, beginning one step ahead.
    pub(crate) fn ahead(self, step_hours: f64) -> impl Iterator<Item = f64> {
        let kept = float::exp(-self.easing * step_hours);
        let mut left = self.rate / self.easing.max(1e-6);
        let mut value = self.value;
        core::iter::from_fn(move || {
            value += left * (1.0 - kept);
            left *= kept;
            Some(value)
        })
    }
}

/// Least-squares slope an hour.
fn slope<'a>(points: impl Iterator<Item = &'a (Timestamp, f64)>, at: Timestamp) -> Option<f64> {
    let (mut count, mut hours, mut values, mut squares, mut products) = (0usize, 0.0, 0.0, 0.0, 0.0);
    for (when, value) in points {
        let hour = (*when - at).num_seconds() as f64 / 3600.0;
        count += 1;
        hours += hour;
        values += value;
        squares += hour * hour;
        products += hour * value;
    }
    let n = count as f64;
    let spread = n * squares - hours * hours;
    (count >= FEWEST && spread > 1e-9).then(|| (n * products - hours * values) / spread)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_timestamp(1_772_600_000 + minute * 60, 0).unwrap()
    }

    fn after(course: Course, hours: f64) -> f64 {
        course.ahead(0.25).nth((hours * 4.0) as usize - 1).unwrap()
    }

    #[test]
    fn a_room_that_cools_by_newtons_law_is_foreseen() {
        // From 18 °C towards 0 °C with a time constant of four hours.
        let room = |minute: i64| 18.0 * float::exp(-(minute as f64) / 240.0);
        let series: VecDeque<_> = (0..=60).map(|minute| (at(minute), room(minute))).collect();
        let course = Course::of(&series, at(60), room(60));
        for hours in [1, 4, 8] {
            let (found, wanted) = (after(course, f64::from(hours)), room(60 + i64::from(hours) * 60));
            assert!((found - wanted).abs() < 1.0, "after {hours} h {found}, wanted {wanted}");
        }
    }

    #[test]
    fn a_door_that_stood_open_is_no_course() {
        for open in [5, 10, 20, 30] {
            let value = |minute: i64| if minute > 60 - open { 14.0 } else { 21.0 };
            let series: VecDeque<_> = (0..=60).map(|minute| (at(minute), value(minute))).collect();
            let found = after(Course::of(&series, at(60), 14.0), 8.0);
            assert!((found - 14.0).abs() < 0.5, "open for {open} minutes: {found}");
        }
    }

    #[test]
    fn air_that_has_turned_does_not_go_on_as_it_went_before() {
        // Three kelvin an hour down for forty minutes, six up for twenty.
        let value = |minute: i64| if minute <= 40 { -0.05 * minute as f64 } else { -2.0 + 0.1 * (minute - 40) as f64 };
        let series: VecDeque<_> = (0..=60).map(|minute| (at(minute), 20.0 + value(minute))).collect();
        let found = after(Course::of(&series, at(60), 20.0), 8.0);
        assert!(found > 19.5, "{found}");
    }

    #[test]
    fn what_days_do_by_themselves_at_this_hour_is_taken_from_a_course_and_no_more() {
        let course = |rate: f64| Course { value: 20.0, rate, easing: 0.3 };
        let left = |rate: f64| course(rate).without((-1.0, 0.5)).rate;
        assert_eq!([2.0, 0.4, 0.0, -0.8, -3.0].map(left), [1.5, 0.0, 0.0, 0.0, -2.0]);
    }

    #[test]
    fn air_that_stands_still_stays() {
        let series: VecDeque<_> = (0..=60).map(|minute| (at(minute), 21.0)).collect();
        assert!((after(Course::of(&series, at(60), 21.0), 12.0) - 21.0).abs() < 1e-9);
        assert_eq!(after(Course::of(&VecDeque::new(), at(60), 21.0), 12.0), 21.0);
    }
}
