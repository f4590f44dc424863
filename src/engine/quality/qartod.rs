//! The tests of the QARTOD manual (IOOS Manual for Real-Time Quality Control of
//! In-situ Temperature and Salinity Data, version 2, doi 10.7289/V5V40SD4) on
//! series of values, as ioos_qc 3.0.0 implements them, and the steps of them
//! that fit a stream. Which thresholds apply, and what a flag means for belief,
//! is decided in the quality stage.
//!
//! A value that is not finite stands for "missing" and is flagged 9 everywhere.

use crate::float;
use crate::reading::Flag;
use alloc::vec;
use alloc::vec::Vec;

use crate::physics::slope::median;

/// Two inclusive bounds. Given in either order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    low: f64,
    high: f64,
}

impl Span {
    /// The span between two bounds, both inside it.
    pub fn new(one: f64, other: f64) -> Self {
        Span { low: one.min(other), high: one.max(other) }
    }

    /// Whether a value lies inside; a value that is not a number does not.
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// Two limits of one test, beyond which (strictly) a value is suspect or fails.
/// `None` or zero switches that half of the test off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Beyond this it is suspect.
    pub suspect: Option<f64>,
    /// Beyond this it fails.
    pub fail: Option<f64>,
}

impl Limits {
    /// Both halves on.
    pub fn new(suspect: f64, fail: f64) -> Self {
        Limits { suspect: Some(suspect), fail: Some(fail) }
    }

    /// The flag of an amount: fail before suspect before good.
    pub fn judge(&self, amount: f64) -> Flag {
        let beyond = |limit: Option<f64>| limit.is_some_and(|limit| limit != 0.0 && amount > limit);
        if beyond(self.fail) {
            Flag::Fail
        } else if beyond(self.suspect) {
            Flag::Suspect
        } else {
            Flag::Good
        }
    }
}

/// Gross range test of one value: outside `fail` it fails, else outside
/// `suspect` it is suspect. The library refuses a `suspect` span that reaches
/// beyond `fail`; here the fail span simply wins.
pub fn gross_range(value: f64, fail: Span, suspect: Option<Span>) -> Flag {
    if !value.is_finite() {
        Flag::Missing
    } else if !fail.holds(value) {
        Flag::Fail
    } else if suspect.is_some_and(|span| !span.holds(value)) {
        Flag::Suspect
    } else {
        Flag::Good
    }
}

/// How a spike is told from its neighbours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpikeMethod {
    /// Distance from the mean of both neighbours. Flags innocent neighbours too.
    Average,
    /// The smaller of both steps, if they go opposite ways. Flags only the spike
    /// and lets ramps pass: the one to use.
    Differential,
}

/// How far a value stands out from its two neighbours.
pub fn spike_size(before: f64, value: f64, after: f64, method: SpikeMethod) -> f64 {
    match method {
        SpikeMethod::Average => (value - (before + after) / 2.0).abs(),
        SpikeMethod::Differential => {
            let (there, back) = (value - before, after - value);
            if there * back >= 0.0 { 0.0 } else { there.abs().min(back.abs()) }
        }
    }
}

/// Spike test of a series. The first and last value, and values beside a
/// missing one, cannot be judged and are `Unknown`.
pub fn spike(values: &[f64], limits: Limits, method: SpikeMethod) -> Vec<Flag> {
    let judge = |index: usize| {
        if !values[index].is_finite() {
            return Flag::Missing;
        }
        let (Some(before), Some(after)) = (index.checked_sub(1).map(|i| values[i]), values.get(index + 1)) else {
            return Flag::Unknown;
        };
        if before.is_finite() && after.is_finite() {
            limits.judge(spike_size(before, values[index], *after, method))
        } else {
            Flag::Unknown
        }
    };
    (0..values.len()).map(judge).collect()
}

/// Rate of change test of a series, limits per second, as the library does it:
/// each value against the one before; the first, and one after a missing one,
/// pass; at equal times a changed value fails and an unchanged one passes.
pub fn rate_of_change(seconds: &[f64], values: &[f64], limits: Limits) -> Vec<Flag> {
    let judge = |(index, value): (usize, &f64)| {
        if !value.is_finite() {
            return Flag::Missing;
        }
        let Some(before) = index.checked_sub(1) else { return Flag::Good };
        let (Some(from), Some(to)) = (seconds.get(before), seconds.get(index)) else { return Flag::Unknown };
        // The library cuts the time step to whole seconds. 0/0 is NaN, beyond no limit.
        let step = float::trunc(to - from);
        limits.judge(((value - values[before]) / step).abs())
    };
    values.iter().enumerate().map(judge).collect()
}

/// Rate of change of one value of a stream against the last one believed, by
/// the real time between them: unlike [`rate_of_change`] a gap hides no jump,
/// and nothing is divided by zero. `Unknown` when no time has passed: the later
/// of two values at one time replaces the earlier.
pub fn rate_since(last: f64, value: f64, seconds: f64, limits: Limits) -> Flag {
    if !value.is_finite() {
        Flag::Missing
    } else if !last.is_finite() || seconds.is_nan() || seconds <= 0.0 {
        Flag::Unknown
    } else {
        limits.judge((value - last).abs() / seconds)
    }
}

/// Flat line test of a series, as the library does it: a value is flagged when
/// all values of the `limits` seconds before it, counted in median time steps,
/// lie within strictly less than `tolerance`. Missing values do not break a
/// run. The tolerance must exceed the sensor's resolution, or nothing is found.
/// A limit shorter than the time step flags everything, and fewer than three
/// values pass.
pub fn flat_line(seconds: &[f64], values: &[f64], limits: Limits, tolerance: f64) -> Vec<Flag> {
    let mut flags = vec![Flag::Good; values.len()];
    if values.len() < 3 || seconds.len() != values.len() {
        return flags;
    }
    let steps: Vec<f64> = seconds.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let interval = median(&steps).map_or(0.0, float::trunc);
    for (limit, flag) in [(limits.suspect, Flag::Suspect), (limits.fail, Flag::Fail)] {
        let Some(limit) = limit.filter(|_| interval > 0.0) else { continue };
        let count = (float::trunc(limit) / interval) as usize;
        for index in count..values.len() {
            if range(&values[index - count..=index]).is_some_and(|range| range < tolerance) {
                flags[index] = flag;
            }
        }
    }
    for (flag, value) in flags.iter_mut().zip(values) {
        if !value.is_finite() {
            *flag = Flag::Missing;
        }
    }
    flags
}

/// Flat line in a stream, where values come when they come: the longest span at
/// the end of the series, in seconds, over which the values stay within
/// strictly less than `tolerance`. Compare it with the limits. Silence is no
/// flat line: pass only what was heard.
pub fn standing_still_for(seconds: &[f64], values: &[f64], tolerance: f64) -> f64 {
    let (mut lowest, mut highest) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut since = None;
    let newest = seconds.iter().zip(values).rev().find(|(_, value)| value.is_finite()).map(|(at, _)| *at);
    for (at, value) in seconds.iter().zip(values).rev().filter(|(_, value)| value.is_finite()) {
        (lowest, highest) = (lowest.min(*value), highest.max(*value));
        if highest - lowest >= tolerance {
            break;
        }
        since = Some(*at);
    }
    newest.zip(since).map_or(0.0, |(newest, since)| newest - since)
}

/// One flag for a value from those of several tests: fail, suspect, good,
/// unknown, missing, in this order. So a good value stays good though another
/// test could not be applied. No flags at all: `Missing`.
pub fn aggregate(flags: &[Flag]) -> Flag {
    [Flag::Fail, Flag::Suspect, Flag::Good, Flag::Unknown]
        .into_iter()
        .find(|flag| flags.contains(flag))
        .unwrap_or(Flag::Missing)
}

/// Hampel filter (Hampel 1974; Pearson 2002): what the value would be without
/// the outlier. `window` holds the value and its neighbours (on a stream: the
/// last seven). Beyond three scaled median deviations from the window's median
/// the median is given, else the value. A window that stands still marks
/// nothing. For display only: it hides a real jump for half a window.
pub fn hampel(value: f64, window: &[f64]) -> f64 {
    let finite: Vec<f64> = window.iter().copied().filter(|value| value.is_finite()).collect();
    let Some(middle) = median(&finite) else { return value };
    let deviations: Vec<f64> = finite.iter().map(|other| (other - middle).abs()).collect();
    let scale = SIGMA_PER_MAD * median(&deviations).unwrap_or(0.0);
    if scale > 0.0 && (value - middle).abs() > 3.0 * scale { middle } else { value }
}

fn range(values: &[f64]) -> Option<f64> {
    let finite = || values.iter().copied().filter(|value| value.is_finite());
    let lowest = finite().reduce(f64::min)?;
    Some(finite().reduce(f64::max)? - lowest)
}

/// Standard deviations in a median absolute deviation of the normal
/// distribution: 1 / 0.674490, to the digits scipy uses.
const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NONE: f64 = f64::NAN;

    fn numbers(flags: &[Flag]) -> Vec<u8> {
        flags.iter().map(|flag| *flag as u8).collect()
    }

    fn minutes(count: usize) -> Vec<f64> {
        (0..count).map(|index| index as f64 * 60.0).collect()
    }

    // All 19 vectors of ioos_qc 3.0.0 are checked in tests/reference; here those that explain the tests.

    #[test]
    fn bounds_belong_to_the_range() {
        let flags: Vec<u8> = [-5.0, -4.999, 0.0, 10.0, 45.0, 45.001, 50.0, 50.01, NONE, 5.0]
            .into_iter()
            .map(|value| gross_range(value, Span::new(50.0, -5.0), Some(Span::new(0.0, 45.0))) as u8)
            .collect();
        assert_eq!(flags, [3, 3, 1, 1, 1, 3, 3, 4, 9, 1]);
    }

    #[test]
    fn the_differential_spike_test_spares_the_neighbours_and_ramps() {
        let values = [0.0, 0.0, 0.0, 8.5, 0.0, 0.0];
        let limits = Limits::new(3.0, 8.0);
        assert_eq!(numbers(&spike(&values, limits, SpikeMethod::Average)), [2, 1, 3, 4, 3, 2]);
        assert_eq!(numbers(&spike(&values, limits, SpikeMethod::Differential)), [2, 1, 1, 4, 1, 2]);
        let ramp = [20.0, 22.0, 24.0, 26.0, 28.0];
        assert_eq!(numbers(&spike(&ramp, Limits::new(1.0, 3.0), SpikeMethod::Differential)), [2, 1, 1, 1, 2]);
    }

    #[test]
    fn a_gap_hides_a_jump_from_the_library_but_not_from_the_stream() {
        let values = [20.0, NONE, 30.0];
        let limits = Limits::new(0.01, 0.1);
        assert_eq!(numbers(&rate_of_change(&minutes(3), &values, limits)), [1, 9, 1]);
        assert_eq!(rate_since(20.0, 30.0, 120.0, limits), Flag::Suspect);
        assert_eq!(rate_since(20.0, 30.0, 60.0, limits), Flag::Fail);
        assert_eq!(rate_since(20.0, 30.0, 0.0, limits), Flag::Unknown);
    }

    #[test]
    fn a_sensor_that_stands_still_is_found_with_a_tolerance_and_not_without() {
        let mut values = vec![20.0; 12];
        values.extend([20.3; 8]);
        let limits = Limits::new(300.0, 600.0);
        let flags = numbers(&flat_line(&minutes(20), &values, limits, 0.05));
        assert_eq!(flags, [1, 1, 1, 1, 1, 3, 3, 3, 3, 3, 4, 4, 1, 1, 1, 1, 1, 3, 3, 3]);
        assert_eq!(numbers(&flat_line(&minutes(20), &values, limits, 0.0)), [1; 20]);
        assert_eq!(standing_still_for(&minutes(20), &values, 0.05), 420.0);
        assert_eq!(standing_still_for(&minutes(20), &values, 0.5), 1140.0);
    }

    #[test]
    fn a_fault_outweighs_a_pass_and_a_pass_outweighs_ignorance() {
        let found: Vec<u8> = [
            [Flag::Good, Flag::Missing],
            [Flag::Good, Flag::Unknown],
            [Flag::Missing, Flag::Missing],
            [Flag::Unknown, Flag::Missing],
            [Flag::Suspect, Flag::Fail],
            [Flag::Good, Flag::Suspect],
        ]
        .iter()
        .map(|flags| aggregate(flags) as u8)
        .collect();
        assert_eq!(found, [1, 1, 9, 2, 4, 3]);
        assert_eq!(aggregate(&[]), Flag::Missing);
    }

    #[test]
    fn the_hampel_filter_drops_the_outliers_and_keeps_a_still_series() {
        // hampel_vector.csv (scipy 1.17.1): outliers at 4 and 9.
        let values = [55.0, 55.2, 55.1, 55.3, 61.0, 55.2, 55.4, 55.3, 55.5, 40.0, 55.4, 55.6, 55.5, 55.7, 55.6];
        for (index, value) in values.iter().enumerate() {
            let window = &values[index.saturating_sub(3)..(index + 4).min(values.len())];
            let wanted = match index {
                4 => 55.3,
                9 => 55.4,
                _ => *value,
            };
            assert!((hampel(*value, window) - wanted).abs() < 1e-9, "at {index}");
        }
        assert_eq!(hampel(21.0, &[20.0, 20.0, 20.0, 20.0, 21.0]), 21.0);
    }

    proptest! {
        #[test]
        fn any_values_get_flags_and_nothing_breaks(
            values in proptest::collection::vec(proptest::num::f64::ANY, 0..30), tolerance in proptest::num::f64::ANY,
            suspect in proptest::num::f64::ANY, fail in proptest::num::f64::ANY, shift in proptest::num::f64::ANY
        ) {
            let limits = Limits::new(suspect, fail);
            let seconds: Vec<f64> = values.iter().map(|value| value + shift).collect();
            for flags in [
                spike(&values, limits, SpikeMethod::Average),
                spike(&values, limits, SpikeMethod::Differential),
                rate_of_change(&seconds, &values, limits),
                flat_line(&seconds, &values, limits, tolerance),
            ] {
                prop_assert_eq!(flags.len(), values.len());
            }
            standing_still_for(&seconds, &values, tolerance);
            hampel(shift, &values);
        }

        #[test]
        fn a_missing_value_is_missing_to_every_test(at in 0_usize..10, lost in prop_oneof![Just(f64::NAN), Just(f64::INFINITY)]) {
            let mut values = vec![20.0; 10];
            values[at] = lost;
            let limits = Limits::new(1.0, 2.0);
            prop_assert_eq!(gross_range(lost, Span::new(-10.0, 60.0), None), Flag::Missing);
            prop_assert_eq!(rate_since(20.0, lost, 60.0, limits), Flag::Missing);
            prop_assert_eq!(spike(&values, limits, SpikeMethod::Differential)[at], Flag::Missing);
            prop_assert_eq!(rate_of_change(&minutes(10), &values, limits)[at], Flag::Missing);
            prop_assert_eq!(flat_line(&minutes(10), &values, limits, 0.5)[at], Flag::Missing);
        }
    }
}
