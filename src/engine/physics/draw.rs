//! From a tank's litres over time to what draws on it: refills and pump runs
//! told apart from a steady draw, the hour the pump draws air, a leak, a gauge
//! that no longer moves. Where the litres come from is in `reservoir`.

use crate::physics::slope::{MOST_POINTS, Slope, median, theil_sen};
use alloc::vec::Vec;

/// Hours since some beginning and litres, ascending in time.
pub type LevelPoint = (f64, f64);

/// Something other than a steady draw: water poured in, or a pump run.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LevelStep {
    /// Hour of the first point after it.
    pub hours: f64,
    /// Index of that point in the series.
    pub index: usize,
    /// Litres gained; negative for a pump run.
    pub litres: f64,
}

/// What counts as a step for a gauge whose readings scatter by `sigma` litres
/// (standard deviation): six times the scatter, but never less than 0.6 L, so
/// that half a cup poured in by hand is no event (our default).
pub fn step_threshold(sigma: f64) -> f64 {
    (6.0 * sigma).max(SMALLEST_STEP)
}

/// Finds refills and pump runs by the residual test: a robust line through the
/// 6 to 12 points since the last step, and the median of the next three points
/// off it by more than `threshold` litres. Unlike "median after minus median
/// before" it does not swallow a leak in small steps. Sizes are what is left
/// between both sides, each carried along the line to the instant of the step.
pub fn steps(points: &[LevelPoint], threshold: f64) -> Vec<LevelStep> {
    let mut found = Vec::new();
    let mut start = 0;
    let mut index = FEWEST_BEFORE;
    while index + POINTS_AFTER <= points.len() {
        match step_at(points, start, index, threshold) {
            Some(step) => {
                start = step.index;
                index = step.index + FEWEST_BEFORE;
                found.push(step);
            }
            None => index += 1,
        }
    }
    found
}

/// The draw over the last `window_hours` of a series without steps. `None` when
/// the window has fewer than 12 points, or fewer than its half is covered.
pub fn slope_over(points: &[LevelPoint], window_hours: f64) -> Option<Slope> {
    let newest = points.last()?.0;
    let from = points.partition_point(|(hours, _)| *hours < newest - window_hours - TIME_SLACK);
    let window = &points[from..];
    let covered = newest - window.first()?.0;
    if window.len() < FEWEST_FOR_SLOPE || covered < window_hours / 2.0 {
        return None;
    }
    theil_sen(window)
}

/// Hours a gauge must stand still before that is odd: three times the tolerance
/// over the expected draw. Infinite when nothing is expected to be drawn.
pub(crate) fn stuck_after_hours(tolerance_litres: f64, expected_per_hour: f64) -> f64 {
    if expected_per_hour > 0.0 { 3.0 * tolerance_litres.max(0.0) / expected_per_hour } else { f64::INFINITY }
}

fn step_at(points: &[LevelPoint], start: usize, index: usize, threshold: f64) -> Option<LevelStep> {
    let before = &points[start.max(index.saturating_sub(MOST_BEFORE))..index];
    if before.len() < FEWEST_BEFORE {
        return None;
    }
    let line = theil_sen(before)?;
    let after = &points[index..index + POINTS_AFTER];
    let off: Vec<f64> = after.iter().map(|(hours, litres)| litres - line.at(*hours)).collect();
    if median(&off)?.abs() <= threshold {
        return None;
    }
    let move_into = |at: usize| (points[at].1 - points[at - 1].1).abs();
    // The first of equals, so that the same series always gives the same instant.
    let at = (index..index + POINTS_AFTER)
        .reduce(|best, next| if move_into(next) > move_into(best) { next } else { best })?;
    let carried = |range: &[LevelPoint]| {
        let values: Vec<f64> = range.iter().map(|(h, litres)| litres - line.per_hour * (h - points[at].0)).collect();
        median(&values)
    };
    let later = carried(&points[at..(at + FEWEST_BEFORE).min(points.len())])?;
    let earlier = carried(&points[start.max(at - FEWEST_BEFORE)..at])?;
    Some(LevelStep { hours: points[at].0, index: at, litres: later - earlier })
}

/// Fewest points a line is trusted with, and the points either side of a step that size it.
const FEWEST_BEFORE: usize = 6;
/// Points of the line before a step: few enough that the light going on or off does not bend it for long.
const MOST_BEFORE: usize = 12;
/// One wild reading among three does not move their median.
const POINTS_AFTER: usize = 3;
/// Litres; see [`step_threshold`].
const SMALLEST_STEP: f64 = 0.6;
/// Points below which a slope is not shown.
const FEWEST_FOR_SLOPE: usize = 12;
/// Hours (a third of a second) of slack where a window begins, for rounded times.
const TIME_SLACK: f64 = 1e-4;

const _: () = assert!(MOST_BEFORE <= MOST_POINTS && FEWEST_FOR_SLOPE <= MOST_POINTS);

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn draining(per_hour: f64, count: usize) -> Vec<LevelPoint> {
        (0..count).map(|i| (i as f64 / 12.0, 20.0 - per_hour * i as f64 / 12.0)).collect()
    }

    #[test]
    fn a_refill_is_one_step_and_leaves_the_draw_standing() {
        let mut points = draining(0.3, 60);
        for point in &mut points[30..] {
            point.1 += 8.0;
        }
        let found = steps(&points, step_threshold(0.02));
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].index, 30);
        assert!((found[0].litres - 8.0).abs() < 1e-9, "{found:?}");
        let [after] = found[..] else { panic!("one step") };
        for point in &mut points[after.index..] {
            point.1 -= after.litres;
        }
        assert!((theil_sen(&points).unwrap().per_hour + 0.3).abs() < 1e-9);
    }

    #[test]
    fn half_an_hour_of_points_is_enough_to_place_a_refill() {
        let mut points = draining(0.3, 12);
        for point in &mut points[6..] {
            point.1 += 8.0;
        }
        assert_eq!(steps(&points, step_threshold(0.02)).iter().map(|step| step.index).collect::<Vec<_>>(), [6]);
    }

    #[test]
    fn a_leak_is_no_step() {
        // 0.9 L/h from the middle on: a naive before-and-after test makes steps of it.
        let mut points = draining(0.15, 96);
        for (index, point) in points.iter_mut().enumerate().skip(48) {
            point.1 -= 0.9 * (index - 48) as f64 / 12.0;
        }
        assert_eq!(steps(&points, step_threshold(0.06)), Vec::new());
    }

    #[test]
    fn one_wild_reading_is_no_step() {
        let mut points = draining(0.15, 48);
        points[20].1 -= 9.0;
        assert_eq!(steps(&points, step_threshold(0.06)), Vec::new());
    }

    #[test]
    fn a_gauge_is_stuck_only_once_the_trays_must_have_moved_it() {
        // Eight trays at 0.079 L/h, tolerance 0.15 L: 5.7 h (by hand).
        assert!((stuck_after_hours(0.15, 0.079) - 5.7).abs() < 0.01);
        assert_eq!(stuck_after_hours(0.15, 0.0), f64::INFINITY);
    }

    #[test]
    fn too_few_points_give_no_draw() {
        assert_eq!(slope_over(&draining(0.3, 11), 1.0), None);
        assert!(slope_over(&draining(0.3, 13), 1.0).is_some());
        assert_eq!(slope_over(&draining(0.3, 13), 6.0), None);
    }

    proptest! {
        #[test]
        fn no_series_is_too_odd_for_the_step_test(values in proptest::collection::vec(-1e6..1e6, 0..80), threshold in 0.0..10.0) {
            let points: Vec<LevelPoint> = values.iter().enumerate().map(|(i, v)| (i as f64 / 12.0, *v)).collect();
            for step in steps(&points, threshold) {
                prop_assert!(step.litres.is_finite() && step.index < points.len());
            }
        }
    }
}
