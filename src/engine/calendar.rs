//! The local calendar: when somebody is in the room next, when people sleep, when a time of day comes. Safe
//! across daylight-saving changes.

use crate::rules::Site;
use crate::units::Timestamp;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};

/// Whether people sleep at `at`, by their own hours.
pub fn sleeps(site: &Site, at: Timestamp) -> bool {
    let Some((from, until)) = site.asleep else { return false };
    let time = at.with_timezone(&site.time_zone).time();
    if from <= until { from <= time && time < until } else { time >= from || time < until }
}

/// Since when people sleep, while they do.
pub(crate) fn asleep_since(site: &Site, at: Timestamp) -> Option<Timestamp> {
    let (from, _) = site.asleep?;
    sleeps(site, at).then(|| last_local(site.time_zone, from, at))
}

/// The first evening letter strictly after `at`; `None` where nobody is said to sleep.
pub(crate) fn next_evening(site: &Site, at: Timestamp) -> Option<Timestamp> {
    let (from, _) = site.asleep?;
    Some(next_local(site.time_zone, from.overflowing_sub_signed(site.evening_letter_before).0, at))
}

/// The first round strictly after `at`.
pub fn next_round(site: &Site, at: Timestamp) -> Timestamp {
    site.rounds.iter().map(|round| next_local(site.time_zone, *round, at)).min().unwrap_or(at + TimeDelta::hours(12))
}

/// The last round at or before `at`.
pub fn last_round(site: &Site, at: Timestamp) -> Timestamp {
    site.rounds.iter().map(|round| last_local(site.time_zone, *round, at)).max().unwrap_or(at - TimeDelta::hours(12))
}

/// The first instant strictly after `at` whose local time of day is `time`. A time
/// that a spring-forward night skips becomes the first valid minute after it; one
/// that an autumn night has twice is taken once, the earlier time.
pub(crate) fn next_local(zone: chrono_tz::Tz, time: NaiveTime, at: Timestamp) -> Timestamp {
    let today = at.with_timezone(&zone).date_naive();
    let mut date = today.checked_sub_days(Days::new(1)).unwrap_or(today);
    for _ in 0..4 {
        let instant = local_instant(zone, date, time);
        if instant > at {
            return instant;
        }
        date = date.checked_add_days(Days::new(1)).unwrap_or(date);
    }
    at + TimeDelta::days(1)
}

/// The last instant at or before `at` whose local time of day is `time`.
pub fn last_local(zone: chrono_tz::Tz, time: NaiveTime, at: Timestamp) -> Timestamp {
    let today = at.with_timezone(&zone).date_naive();
    let mut date = today.checked_add_days(Days::new(1)).unwrap_or(today);
    for _ in 0..4 {
        let instant = local_instant(zone, date, time);
        if instant <= at {
            return instant;
        }
        date = date.checked_sub_days(Days::new(1)).unwrap_or(date);
    }
    at - TimeDelta::days(1)
}

/// The instant of a local date and time, in the way [`next_local`] describes.
pub fn local_instant(zone: chrono_tz::Tz, date: NaiveDate, time: NaiveTime) -> Timestamp {
    let mut local = date.and_time(time);
    for _ in 0..=(4 * 60) {
        match zone.from_local_datetime(&local) {
            chrono::LocalResult::Single(instant) => return instant.with_timezone(&Utc),
            chrono::LocalResult::Ambiguous(early, _) => return early.with_timezone(&Utc),
            chrono::LocalResult::None => local += TimeDelta::minutes(1),
        }
    }
    // No zone skips more than a day, and those that skip one do so at midnight;
    // reading the time as UTC keeps the calendar going.
    DateTime::from_naive_utc_and_offset(local, Utc)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> Timestamp {
        text.parse().expect("a valid RFC 3339 time in a test")
    }

    fn time(text: &str) -> NaiveTime {
        text.parse().expect("a valid time of day in a test")
    }

    #[test]
    fn a_time_skipped_in_spring_becomes_the_first_minute_after_the_gap() {
        // Europe/Paris skips 02:00 to 03:00 on 2027-03-28 (tz database).
        let due = next_local(chrono_tz::Europe::Paris, time("02:30:00"), instant("2027-03-27T22:00:00Z"));
        assert_eq!(due, instant("2027-03-28T01:00:00Z"));
    }

    #[test]
    fn a_time_that_comes_twice_in_autumn_is_taken_once() {
        let zone = chrono_tz::Europe::Paris;
        let first = next_local(zone, time("02:30:00"), instant("2026-10-24T22:00:00Z"));
        assert_eq!(first, instant("2026-10-25T00:30:00Z"));
        let second = next_local(zone, time("02:30:00"), first);
        assert_eq!(second, instant("2026-10-26T01:30:00Z"));
    }

    #[test]
    fn every_local_date_has_one_digest_over_three_years_in_four_zones() {
        for zone in
            [chrono_tz::America::Chicago, chrono_tz::Europe::Paris, chrono_tz::Australia::Lord_Howe, chrono_tz::UTC]
        {
            // After 06:30 in each of them.
            let mut at = instant("2026-01-01T20:00:00Z");
            let mut last = at.with_timezone(&zone).date_naive();
            for _ in 0..(3 * 365) {
                at = next_local(zone, time("06:30:00"), at);
                let date = at.with_timezone(&zone).date_naive();
                assert_eq!(date, last.succ_opt().expect("a next date"), "{zone} at {at}");
                last = date;
            }
        }
    }

    #[test]
    fn hours_of_sleep_may_cross_midnight() {
        let mut site = crate::rules::Site {
            name: "Saltmarsh Lane".into(),
            time_zone: chrono_tz::UTC,
            units: crate::units::UnitSystem::Metric,
            rounds: vec![time("07:00:00")],
            round_letter_before: TimeDelta::minutes(15),
            look_within: TimeDelta::hours(36),
            digest_at: time("06:30:00"),
            asleep: Some((time("22:00:00"), time("06:00:00"))),
            evening_letter_before: TimeDelta::hours(1),
            wake_if: 0.2,
            come_within: TimeDelta::minutes(45),
        };
        for (at, asleep) in [("21:59", false), ("22:00", true), ("03:00", true), ("06:00", false)] {
            assert_eq!(sleeps(&site, instant(&format!("2026-03-04T{at}:00Z"))), asleep, "{at}");
        }
        let since = |at: &str| asleep_since(&site, instant(at));
        assert_eq!(since("2026-03-04T03:00:00Z"), Some(instant("2026-03-03T22:00:00Z")), "the evening before");
        assert_eq!(since("2026-03-04T12:00:00Z"), None);
        assert_eq!(next_evening(&site, instant("2026-03-04T20:00:00Z")), Some(instant("2026-03-04T21:00:00Z")));
        site.asleep = None;
        assert!(!sleeps(&site, instant("2026-03-04T03:00:00Z")));
    }
}
