//! Two tests of the QARTOD manual (IOOS Manual for Real-Time Quality Control of In-situ
//! Temperature and Salinity Data, version 2, doi 10.7289/V5V40SD4) that fit a stream as they
//! stand: gross range and rate of change, held to ioos_qc 3.0.0 in tests/reference. Spike and
//! flat line look at values to come or at a fixed window; what a stream can do instead (a
//! jump waits for the next reading, a standstill is timed) stands in `judge`.

use crate::reading::Flag;

/// Two inclusive bounds.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Bounds {
    /// The lower one.
    pub low: f64,
    /// The higher one.
    pub high: f64,
}

impl Bounds {
    /// No bound on either side.
    pub(crate) const NONE: Bounds = Bounds { low: f64::NEG_INFINITY, high: f64::INFINITY };

    /// Whether a value lies inside, bounds included; what is not a number does not.
    pub fn hold(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// Gross range test of one value: outside `fail` it fails, else outside `suspect` it is
/// suspect; one that is not finite is missing.
pub fn gross_range(value: f64, fail: Bounds, suspect: Bounds) -> Flag {
    if !value.is_finite() {
        Flag::Missing
    } else if !fail.hold(value) {
        Flag::Fail
    } else if !suspect.hold(value) {
        Flag::Suspect
    } else {
        Flag::Good
    }
}

/// Rate of change test of a value against the one before: more than `limit` in a unit of the
/// time that has `elapsed`. A change in no time is beyond every limit.
pub fn changes_faster(before: f64, value: f64, elapsed: f64, limit: f64) -> bool {
    // No change in no time is 0/0, which is beyond no limit.
    (value - before).abs() / elapsed > limit
}
