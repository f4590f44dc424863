//! Where an instant lies across a picture.

use super::content::Chart;
use crate::units::Timestamp;

/// The time axis that all panels and lanes of a picture share.
#[derive(Clone, Copy)]
pub(crate) struct TimeAxis {
    from: Timestamp,
    until: Timestamp,
    /// Where it begins across, in points.
    pub(crate) left: f32,
    /// Where it ends.
    pub(crate) right: f32,
}

impl TimeAxis {
    pub(crate) fn of(chart: &Chart, left: f32, right: f32) -> Self {
        TimeAxis { from: chart.from, until: chart.until, left, right }
    }

    /// Where an instant lies; what is outside lies at the nearer end.
    pub(crate) fn x(&self, at: Timestamp) -> f32 {
        let whole = (self.until - self.from).num_milliseconds().max(1) as f64;
        let share = ((at - self.from).num_milliseconds() as f64 / whole).clamp(0.0, 1.0) as f32;
        self.left + (self.right - self.left) * share
    }
}
