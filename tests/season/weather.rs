//! The measured year a season's rooms stand under; source and terms in `measured_year.txt`.

use chrono::{Datelike, Days, NaiveDate};
use std::sync::{Arc, OnceLock};
use traywarden::demo::plan::MeasuredYear;
use traywarden::random::SplitMix64;

/// The year as it was measured.
pub fn measured() -> MeasuredYear {
    static HOURS: OnceLock<Arc<[(f64, f64)]>> = OnceLock::new();
    let hours = HOURS.get_or_init(|| {
        let lines = include_str!("measured_year.csv").lines().skip(1);
        let number =
            |text: Option<&str>| text.and_then(|text| text.parse().ok()).expect("a number in the measured year");
        lines
            .map(|line| {
                let mut columns = line.split(',').skip(1);
                (number(columns.next()), number(columns.next()))
            })
            .collect()
    });
    MeasuredYear { hours: hours.clone(), shift: 0.0 }
}

/// Mean temperature and mean dew point of some days, Celsius.
pub fn mean(year: &MeasuredYear, from: NaiveDate, days: u64) -> (f64, f64) {
    let first = f64::from(from.ordinal0()) * 24.0;
    let hours: Vec<(f64, f64)> = (0..days * 24).map(|hour| year.at((first + hour as f64) % 8760.0)).collect();
    let sum = hours.iter().fold((0.0, 0.0), |sum, hour| (sum.0 + hour.0, sum.1 + hour.1));
    (sum.0 / hours.len() as f64, sum.1 / hours.len() as f64)
}

/// A first day, drawn among those whose fourth to seventh day are as asked (mean temperature
/// and mean dew point).
pub fn first_day(chance: &mut SplitMix64, wanted: impl Fn(f64, f64) -> bool) -> NaiveDate {
    let year = measured();
    let january = NaiveDate::from_ymd_opt(2026, 1, 5).expect("a date");
    let fits: Vec<NaiveDate> = (0..340)
        .map(|day| january + Days::new(day))
        .filter(|first| {
            let (temperature, dew_point) = mean(&year, *first + Days::new(3), 4);
            wanted(temperature, dew_point)
        })
        .collect();
    fits[(chance.whole() % fits.len() as u64) as usize]
}

#[test]
fn the_measured_year_is_whole_and_hours_run_into_each_other() {
    let year = measured();
    assert_eq!(year.hours.len(), 8760);
    let (low, high) =
        year.hours.iter().fold((f64::MAX, f64::MIN), |(low, high), hour| (hour.0.min(low), hour.0.max(high)));
    // As counted in the file it was cut from.
    assert_eq!((low, high), (-16.7, 35.6));
    assert!(year.hours.iter().all(|(temperature, dew_point)| dew_point <= temperature));
    assert_eq!(year.at(1.0), (10.0, 6.1), "a value belongs to the end of its hour");
    let (temperature, dew_point) = year.at(1.5);
    assert!((temperature - 10.0).abs() < 1e-9 && (dew_point - 6.4).abs() < 1e-9, "{temperature}, {dew_point}");
}
