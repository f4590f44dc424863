//! Ticks: round numbers up the side, round local times along the bottom. Local
//! times that a clock change skips have no tick; those it repeats have one.

use crate::units::Timestamp;
use chrono::{
    DateTime, Datelike, Days, LocalResult, Months, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Timelike,
};
use chrono_tz::Tz;

/// No axis has more, whatever is asked.
const MOST_TICKS: usize = 200;

/// Round values from at or below `low` to at or above `high`, about `wanted` steps.
pub(crate) fn values(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let span = (high - low).max(f64::MIN_POSITIVE);
    let rough = span / wanted.max(1) as f64;
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|nice| nice * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let first = (low / step + 1e-9).floor();
    let last = (high / step - 1e-9).ceil();
    let count = ((last - first).round().max(1.0) as usize).min(MOST_TICKS);
    (0..=count).map(|index| (first + index as f64) * step + 0.0).collect()
}

/// Digits after the point that tell neighbours of a scale apart.
pub(crate) fn digits(scale: &[f64]) -> usize {
    let step = scale.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::MAX, f64::min);
    match step {
        step if step < 0.0095 => 3,
        step if step < 0.095 => 2,
        step if step < 0.95 => 1,
        _ => 0,
    }
}

/// Steps of a time axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum TickStep {
    Minutes(i64),
    Days(u64),
    Week,
    Months(u32),
}

const STEPS: [TickStep; 15] = [
    TickStep::Minutes(5),
    TickStep::Minutes(15),
    TickStep::Minutes(30),
    TickStep::Minutes(60),
    TickStep::Minutes(120),
    TickStep::Minutes(180),
    TickStep::Minutes(360),
    TickStep::Minutes(720),
    TickStep::Days(1),
    TickStep::Days(2),
    TickStep::Week,
    TickStep::Months(1),
    TickStep::Months(3),
    TickStep::Months(6),
    TickStep::Months(12),
];

impl TickStep {
    /// Its length, near enough to choose by.
    fn about(self) -> TimeDelta {
        match self {
            TickStep::Minutes(minutes) => TimeDelta::minutes(minutes),
            TickStep::Days(days) => TimeDelta::days(days as i64),
            TickStep::Week => TimeDelta::days(7),
            TickStep::Months(months) => TimeDelta::days(30 * i64::from(months)),
        }
    }

    /// The round local time at or before this.
    fn floor(self, local: NaiveDateTime) -> Option<NaiveDateTime> {
        let date = local.date();
        match self {
            TickStep::Minutes(step) => {
                let minutes = i64::from(local.hour() * 60 + local.minute());
                Some(date.and_time(NaiveTime::MIN) + TimeDelta::minutes(minutes - minutes % step))
            }
            TickStep::Days(days) => {
                let past = u64::from(date.num_days_from_ce().unsigned_abs()) % days;
                Some(date.checked_sub_days(Days::new(past))?.and_time(NaiveTime::MIN))
            }
            TickStep::Week => {
                let past = u64::from(date.weekday().num_days_from_monday());
                Some(date.checked_sub_days(Days::new(past))?.and_time(NaiveTime::MIN))
            }
            TickStep::Months(months) => {
                let month = date.month0() - date.month0() % months;
                Some(NaiveDate::from_ymd_opt(date.year(), month + 1, 1)?.and_time(NaiveTime::MIN))
            }
        }
    }

    fn next(self, local: NaiveDateTime) -> Option<NaiveDateTime> {
        match self {
            TickStep::Minutes(minutes) => local.checked_add_signed(TimeDelta::minutes(minutes)),
            TickStep::Days(days) => local.checked_add_days(Days::new(days)),
            TickStep::Week => local.checked_add_days(Days::new(7)),
            TickStep::Months(months) => local.checked_add_months(Months::new(months)),
        }
    }

    fn label(self, local: NaiveDateTime) -> String {
        let midnight = local.time() == NaiveTime::MIN;
        let form = match self {
            TickStep::Minutes(_) if !midnight => "%H:%M",
            TickStep::Minutes(_) | TickStep::Days(1) => "%a %-d",
            TickStep::Days(_) | TickStep::Week => "%-d %b",
            TickStep::Months(_) if local.month() == 1 => "%Y",
            TickStep::Months(_) => "%b",
        };
        local.format(form).to_string()
    }
}

/// Round local times between the ends, at most `most`, each with its label.
pub(crate) fn times(from: Timestamp, until: Timestamp, zone: Tz, most: usize) -> Vec<(Timestamp, String)> {
    let span = until - from;
    let fits = |step: &TickStep| span.num_seconds() / step.about().num_seconds().max(1) <= most.max(1) as i64;
    let step = STEPS.into_iter().find(|step| fits(step)).unwrap_or(TickStep::Months(12));
    let mut ticks = Vec::new();
    let mut local = step.floor(from.with_timezone(&zone).naive_local());
    let end = until.with_timezone(&zone).naive_local();
    for _ in 0..MOST_TICKS {
        let Some(round) = local.filter(|round| *round <= end + TimeDelta::hours(2)) else { break };
        if let Some(at) = instant(zone, round).filter(|at| (from..=until).contains(at)) {
            ticks.push((at, step.label(round)));
        }
        local = step.next(round);
    }
    // Decades need no more labels than days do.
    let every = ticks.len().div_ceil(most + 2).max(1);
    ticks.into_iter().step_by(every).collect()
}

fn instant(zone: Tz, local: NaiveDateTime) -> Option<Timestamp> {
    let utc = |at: DateTime<Tz>| at.with_timezone(&chrono::Utc);
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => Some(utc(at)),
        LocalResult::Ambiguous(early, _) => Some(utc(early)),
        LocalResult::None => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn labels(from: &str, until: &str, most: usize) -> Vec<String> {
        times(at(from), at(until), chrono_tz::Europe::Paris, most).into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn values_are_round_and_hold_the_data() {
        assert_eq!(values(17.3, 24.1, 4), vec![16.0, 18.0, 20.0, 22.0, 24.0, 26.0]);
        assert_eq!(values(40.0, 60.0, 4), vec![40.0, 45.0, 50.0, 55.0, 60.0]);
    }

    #[test]
    fn a_day_has_round_local_hours_and_names_the_new_day() {
        assert_eq!(labels("2026-03-03T05:30:00Z", "2026-03-04T05:30:00Z", 5), ["12:00", "18:00", "Wed 4", "06:00"]);
    }

    #[test]
    fn a_skipped_hour_has_no_tick_and_a_repeated_one_has_one() {
        // Europe/Paris, 2026-03-29: 02:00 does not exist; 2026-10-25: 02:00 comes twice (tz database).
        assert_eq!(labels("2026-03-28T23:30:00Z", "2026-03-29T03:30:00Z", 6), ["01:00", "03:00", "04:00", "05:00"]);
        assert_eq!(labels("2026-10-24T23:30:00Z", "2026-10-25T02:30:00Z", 4), ["02:00", "03:00"]);
    }

    proptest! {
        #[test]
        fn ticks_ascend_inside_the_span_and_are_never_many(
            start in 0_i64..2_000_000_000, length in 60_i64..100_000_000, most in 1_usize..20,
        ) {
            let from = chrono::DateTime::from_timestamp(start, 0).unwrap();
            let until = from + TimeDelta::seconds(length);
            let ticks = times(from, until, chrono_tz::America::Chicago, most);
            prop_assert!(ticks.windows(2).all(|pair| pair[0].0 < pair[1].0));
            prop_assert!(ticks.iter().all(|(at, _)| (from..=until).contains(at)));
            prop_assert!(ticks.len() <= most + 2, "{} ticks", ticks.len());
        }

        #[test]
        fn values_always_hold_the_data(low in -50.0..100.0_f64, span in 0.001..200.0_f64) {
            let ticks = values(low, low + span, 4);
            prop_assert!(ticks[0] <= low + 1e-6 && *ticks.last().unwrap() >= low + span - 1e-6);
            prop_assert!(ticks.len() >= 2 && ticks.len() < 12);
        }
    }
}
