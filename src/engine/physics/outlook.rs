//! What a value is likely to do next: the course it is on, over the rhythm that its days have,
//! and on either side how high and how low it may go.

use crate::physics::course::{Course, REMEMBERED};
use crate::physics::rhythm::{Change, DailyRhythm};
use crate::units::Timestamp;
use alloc::collections::VecDeque;
use alloc::vec::Vec;

/// Outlooks go in steps of a quarter of an hour.
pub(crate) const STEP_HOURS: f64 = 0.25;
/// Two days of them.
pub(crate) const STEPS: usize = 192;
/// Steps of a day.
const A_DAY: i32 = 96;
/// Steps of the hour that a course is read from.
const AN_HOUR: i32 = 4;

/// What one value has done lately: the last hour by the minute, the last week by the quarter.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Trail {
    recent: VecDeque<(Timestamp, f64)>,
    rhythm: DailyRhythm,
}

/// How a value may go on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Face {
    /// As high as it may: a tenth of the chance lies above.
    High,
    /// As it is likely.
    Likely,
    /// As low as it may: a tenth of the chance lies below.
    Low,
}

/// What a value is likely to do from one moment on.
#[derive(Clone, Debug)]
pub(crate) struct Outlook {
    course: Course,
    usual: Vec<Change>,
}

impl Trail {
    /// The value of a minute, if it is known; times ascend.
    pub(crate) fn note(&mut self, at: Timestamp, value: Option<f64>) {
        while self.recent.front().is_some_and(|(when, _)| at - *when > REMEMBERED) {
            self.recent.pop_front();
        }
        if let Some(value) = value {
            self.recent.push_back((at, value));
            self.rhythm.note(at, value);
        }
    }

    /// The outlook from a value that is so now.
    pub(crate) fn outlook(&self, at: Timestamp, value: f64) -> Outlook {
        let quarters = |range: core::ops::RangeInclusive<i32>| range.map(|step| f64::from(step) * STEP_HOURS);
        let changes_behind = self.rhythm.changes(at, quarters(-AN_HOUR..=0));
        let behind: Vec<f64> = changes_behind.iter().map(|change| change.middle).collect();
        let usual = |when: Timestamp| {
            let ago = ((at - when).num_seconds() as f64 / 3600.0 / STEP_HOURS).clamp(0.0, f64::from(AN_HOUR));
            let (whole, last) = (ago as usize, behind.len() - 1);
            let (near, far) = (behind[last - whole], behind[last - (whole + 1).min(last)]);
            near + (ago - whole as f64) * (far - near)
        };
        // What is usual at this hour is no course: what is left is what is the matter.
        let unusual = self.recent.iter().map(|(when, value)| (*when, value - usual(*when))).collect();
        // So much more or less than usual do days rise in this hour by themselves.
        let differ =
            changes_behind.first().map_or((0.0, 0.0), |hour| (hour.middle - hour.high, hour.middle - hour.low));
        let course = Course::of(&unusual, at, value).without(differ);
        Outlook { course, usual: self.rhythm.changes(at, quarters(1..=A_DAY)) }
    }
}

impl Outlook {
    /// The values of two days in steps of a quarter of an hour, beginning one step ahead, for a
    /// sensor that reads `off` too low.
    pub(crate) fn ahead(&self, face: Face, off: f64) -> impl Iterator<Item = f64> {
        // Easing slowly it goes on far the way it goes.
        let easing = match face {
            Face::Likely => 1.0,
            Face::High if self.course.rate > 0.0 => 0.5,
            Face::Low if self.course.rate < 0.0 => 0.5,
            Face::High | Face::Low => 2.0,
        };
        let change = move |change: &Change| match face {
            Face::High => change.high,
            Face::Likely => change.middle,
            Face::Low => change.low,
        };
        let changes = self.usual.iter().cycle().take(STEPS).map(change);
        self.course.but(off, easing).ahead(STEP_HOURS).zip(changes).map(|(value, change)| value + change)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> Timestamp {
        Timestamp::from_timestamp(1_772_582_400 + (hours * 3600.0) as i64, 0).unwrap()
    }

    fn lived(until: f64, value: impl Fn(f64) -> f64) -> Outlook {
        let mut trail = Trail::default();
        for minute in 0..=(until * 60.0) as i32 {
            let hours = f64::from(minute) / 60.0;
            trail.note(at(hours), Some(value(hours)));
        }
        trail.outlook(at(until), value(until))
    }

    fn after(outlook: &Outlook, face: Face, hours: f64) -> f64 {
        outlook.ahead(face, 0.0).nth((hours / STEP_HOURS) as usize - 1).unwrap()
    }

    /// Lamps from six to ten at night warm a shelf by four kelvin.
    fn lamps(hours: f64) -> f64 {
        if (6.0..22.0).contains(&(hours % 24.0)) { 24.0 } else { 20.0 }
    }

    #[test]
    fn a_shelf_that_stands_too_warm_cools_when_its_lamps_go_out() {
        let outlook = lived(5.0 * 24.0 + 20.0, |hours| lamps(hours) + if hours > 120.0 { 7.0 } else { 0.0 });
        for face in [Face::High, Face::Likely, Face::Low] {
            assert_eq!([1.0, 4.0].map(|hours| after(&outlook, face, hours)), [31.0, 27.0], "{face:?}");
        }
    }

    #[test]
    fn what_the_lamps_do_each_morning_is_no_course() {
        let rising = |hours: f64| lamps(hours).min(20.0 + ((hours % 24.0) - 6.0).clamp(0.0, 1.0) * 4.0);
        let outlook = lived(5.0 * 24.0 + 6.7, rising);
        assert!((after(&outlook, Face::Likely, 3.0) - 24.0).abs() < 0.2, "{}", after(&outlook, Face::Likely, 3.0));
    }

    /// With means of half an hour the last minutes under the lamps looked like a rise of a kelvin an hour.
    #[test]
    fn the_minutes_before_lamps_go_out_are_no_rise() {
        for minutes in [5.0, 10.0, 14.0] {
            let outlook = lived(5.0 * 24.0 + 22.0 - minutes / 60.0, lamps);
            let found = [Face::Likely, Face::High].map(|face| after(&outlook, face, 4.0));
            assert!(found.iter().all(|value| *value < 21.0), "{minutes} minutes before: {found:?}");
        }
    }

    #[test]
    fn what_every_other_day_does_at_this_hour_is_no_course_either() {
        let rises =
            |hours: f64| if (hours / 24.0) as i64 % 2 == 0 { (hours % 24.0 - 19.0).clamp(0.0, 1.0) } else { 0.0 };
        let outlook = lived(6.0 * 24.0 + 20.0, |hours| 20.0 + rises(hours));
        let found = after(&outlook, Face::Likely, 3.0);
        assert!((found - 21.0).abs() < 0.4, "{found}");
    }

    #[test]
    fn without_a_rhythm_the_course_is_all_there_is_and_its_faces_part() {
        let outlook = lived(2.0, |hours| 20.0 - 2.0 * hours);
        let [high, likely, low] = [Face::High, Face::Likely, Face::Low].map(|face| after(&outlook, face, 6.0));
        assert!(high > likely && likely > low && likely < 14.0, "{high}, {likely}, {low}");
    }
}
