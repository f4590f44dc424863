//! A slope that a few bad points cannot bend, with its confidence interval.
//! Knows nothing of tanks; `physics::draw` asks it how fast the water goes.

use crate::float;
use alloc::vec::Vec;

/// Points of one window, at most: beyond this many the pairs cost more than
/// they tell. Longer series are thinned evenly, the last point always kept.
pub const MOST_POINTS: usize = 60;

/// A robust straight line through points (hours, value).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Slope {
    /// Value gained an hour; negative when it falls.
    pub per_hour: f64,
    /// Lower end of the 95 % confidence interval; minus infinity when there are too few points.
    pub low: f64,
    /// Upper end of the 95 % confidence interval; infinity when there are too few points.
    pub high: f64,
    /// Value of the line at hour zero.
    pub intercept: f64,
}

impl Slope {
    /// Value of the line at an hour.
    pub fn at(&self, hours: f64) -> f64 {
        self.intercept + self.per_hour * hours
    }

    /// The interval lies below zero: the value measurably falls.
    pub fn falls(&self) -> bool {
        self.high < 0.0
    }
}

/// Theil (1950) and Sen (1968): the median of the slopes of all pairs, and
/// Sen's 95 % interval (equation 2.6 with its correction for ties), as
/// scipy.stats.theilslopes computes it with `method="separate"`. Up to 29 % of
/// the points may be arbitrarily wrong. Points that are not finite are left
/// out. `None` when no two points lie at different times.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<Slope> {
    let finite = points.iter().copied().filter(|(hours, value)| hours.is_finite() && value.is_finite());
    let mut kept: Vec<(f64, f64)> = finite.collect();
    kept.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    if kept.len() > MOST_POINTS {
        let last = kept.len() - 1;
        kept = (0..MOST_POINTS).map(|index| kept[index * last / (MOST_POINTS - 1)]).collect();
    }
    let mut slopes = Vec::with_capacity(kept.len() * kept.len().saturating_sub(1) / 2);
    for (index, earlier) in kept.iter().enumerate() {
        for later in &kept[index + 1..] {
            let slope = (later.1 - earlier.1) / (later.0 - earlier.0);
            if later.0 > earlier.0 && slope.is_finite() {
                slopes.push(slope);
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    let hours: Vec<f64> = kept.iter().map(|point| point.0).collect();
    let mut values: Vec<f64> = kept.iter().map(|point| point.1).collect();
    values.sort_unstable_by(f64::total_cmp);
    let mut slopes: Vec<i64> = slopes.into_iter().map(in_order).collect();
    let per_hour = median_of(&mut slopes)?;
    let (low, high) = match ranks(slopes.len(), &hours, &values) {
        Some((lower, upper)) => (at_rank(&mut slopes, lower), at_rank(&mut slopes, upper)),
        None => (f64::NEG_INFINITY, f64::INFINITY),
    };
    let intercept = median_of_sorted(&values) - per_hour * median_of_sorted(&hours);
    intercept.is_finite().then_some(Slope { per_hour, low, high, intercept })
}

/// The middle value, or the mean of the two middle ones. `None` for no values.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut values: Vec<i64> = values.iter().copied().map(in_order).collect();
    median_of(&mut values)
}

/// The whole number that stands where the value stands in `f64::total_cmp`: selecting among
/// whole numbers costs half as much.
fn in_order(value: f64) -> i64 {
    let bits = value.to_bits().cast_signed();
    bits ^ ((bits >> 63).cast_unsigned() >> 1).cast_signed()
}

/// The value of such a number: the sign stays, so the same bits are turned back.
fn out_of_order(number: i64) -> f64 {
    f64::from_bits((number ^ ((number >> 63).cast_unsigned() >> 1).cast_signed()).cast_unsigned())
}

/// By selection: sixty points have 1770 slopes, and sorting them all was a third of a
/// rehearsal's time. Leaves what is below the middle before it, and what is above after it.
fn median_of(values: &mut [i64]) -> Option<f64> {
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    if values.is_empty() {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable(middle);
    let upper = out_of_order(*upper);
    if odd {
        return Some(upper);
    }
    let lower = out_of_order(*below.iter().max()?);
    Some(lower / 2.0 + upper / 2.0)
}

/// `rank` counts from zero and lies within `values`, of which the median was taken: only the
/// half in which the rank lies is looked through.
fn at_rank(values: &mut [i64], rank: usize) -> f64 {
    let middle = values.len() / 2;
    let found = if rank < middle {
        *values[..middle].select_nth_unstable(rank).1
    } else {
        *values[middle..].select_nth_unstable(rank - middle).1
    };
    out_of_order(found)
}

fn median_of_sorted(sorted: &[f64]) -> f64 {
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[middle] } else { sorted[middle - 1] / 2.0 + sorted[middle] / 2.0 }
}

/// Sen's ranks in the sorted slopes, counted from zero. `None` when ties leave no
/// variance to speak of: then the points say nothing about how sure they are.
fn ranks(slopes: usize, hours: &[f64], values: &[f64]) -> Option<(usize, usize)> {
    let term = |count: f64| count * (count - 1.0) * (2.0 * count + 5.0);
    let ties = |sorted: &[f64]| sorted.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum::<f64>();
    let variance = (term(hours.len() as f64) - ties(hours) - ties(values)) / 18.0;
    if hours.len() < 3 || variance < 0.0 {
        return None;
    }
    let reach = NORMAL_97_5 * float::sqrt(variance);
    let count = slopes as f64;
    // numpy rounds halves to even; so do we, or ranks differ by one.
    let upper = float::round_ties_even((count + reach) / 2.0).min(count - 1.0);
    let lower = (float::round_ties_even((count - reach) / 2.0) - 1.0).max(0.0);
    // Both lie in 0..slopes by the clamps above; a cast of a float saturates.
    Some((lower as usize, upper.max(0.0) as usize))
}

/// The 97.5 % point of the standard normal distribution.
const NORMAL_97_5: f64 = 1.959_963_984_540_054;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NOISY: [f64; 13] =
        [12.079, 11.969, 11.836, 11.711, 11.626, 11.411, 11.473, 11.342, 11.300, 11.213, 11.176, 10.988, 10.940];

    fn half_hours(values: &[f64]) -> Vec<(f64, f64)> {
        values.iter().enumerate().map(|(index, value)| (index as f64 / 2.0, *value)).collect()
    }

    /// scipy 1.17.1, theilsen_cases.csv.
    #[test]
    fn a_noisy_draw_has_the_slope_and_interval_of_scipy() {
        let slope = theil_sen(&half_hours(&NOISY)).unwrap();
        for (found, wanted) in [
            (slope.per_hour, -0.181125),
            (slope.low, -0.198400),
            (slope.high, -0.165200),
            (slope.intercept, 11.954375),
            (slope.at(6.0), 10.867625),
        ] {
            assert!((found - wanted).abs() < 5e-7, "{found} {wanted}");
        }
    }

    #[test]
    fn two_points_give_a_slope_but_no_certainty() {
        let slope = theil_sen(&[(0.0, 10.0), (1.0, 9.0)]).unwrap();
        assert_eq!(slope.per_hour, -1.0);
        assert!(slope.low <= 0.0 && slope.high >= 0.0);
    }

    #[test]
    fn points_at_one_time_have_no_slope() {
        assert_eq!(theil_sen(&[(1.0, 10.0), (1.0, 9.0), (f64::NAN, 3.0)]), None);
        assert_eq!(theil_sen(&[]), None);
    }

    #[test]
    fn a_still_tank_neither_falls_nor_rises() {
        let slope = theil_sen(&half_hours(&[7.0; 12])).unwrap();
        assert!(slope.low <= 0.0 && slope.high >= 0.0);
    }

    #[test]
    fn a_long_series_is_thinned_to_its_whole_span() {
        let points: Vec<(f64, f64)> = (0..500).map(|i| (f64::from(i) / 60.0, 20.0 - f64::from(i) * 0.01)).collect();
        assert!((theil_sen(&points).unwrap().per_hour + 0.6).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn what_is_selected_is_what_sorting_gives(values in proptest::collection::vec(proptest::num::f64::NORMAL, 1..80), at in 0.0..1.0_f64, beside in 0.0..1.0_f64) {
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let mut mixed: Vec<i64> = values.iter().copied().map(in_order).collect();
            prop_assert_eq!(median_of(&mut mixed), Some(median_of_sorted(&sorted)));
            for share in [at, beside] {
                let rank = (share * sorted.len() as f64) as usize;
                prop_assert_eq!(at_rank(&mut mixed, rank), sorted[rank]);
            }
        }
    }

    proptest! {
        #[test]
        fn the_order_of_the_points_does_not_matter(
            (sorted, shuffled) in proptest::collection::vec((0.0..24.0, 0.0..50.0), 2..40)
                .prop_flat_map(|points| (Just(points.clone()), Just(points).prop_shuffle()))
        ) {
            prop_assert_eq!(theil_sen(&sorted), theil_sen(&shuffled));
        }

        #[test]
        fn fewer_than_29_per_cent_wild_points_leave_the_slope_standing(
            per_hour in -2.0_f64..2.0, count in 8_usize..40, wild in proptest::collection::vec((0_usize..1000, -1e4..1e4), 40)
        ) {
            let mut points: Vec<(f64, f64)> = (0..count).map(|i| (i as f64, 10.0 + per_hour * i as f64)).collect();
            // (1 - e)^2 >= 1/2 leaves more clean pairs than spoilt ones: e < 0.29.
            let most = libm::trunc(count as f64 * 0.29) as usize;
            let clean_pairs = |spoilt: usize| (count - spoilt) * (count - spoilt - 1);
            let allowed = (0..=most).filter(|spoilt| 2 * clean_pairs(*spoilt) > count * (count - 1)).max().unwrap_or(0);
            for (index, value) in wild.iter().take(allowed) {
                points[index % count].1 += value;
            }
            prop_assert!((theil_sen(&points).unwrap().per_hour - per_hour).abs() < 1e-6);
        }

        #[test]
        fn no_finite_points_give_nonsense(points in proptest::collection::vec((proptest::num::f64::NORMAL, proptest::num::f64::NORMAL), 0..12)) {
            if let Some(slope) = theil_sen(&points) {
                prop_assert!(slope.per_hour.is_finite() && slope.intercept.is_finite());
                prop_assert!(!slope.low.is_nan() && !slope.high.is_nan() && slope.low <= slope.high);
            }
        }
    }
}
