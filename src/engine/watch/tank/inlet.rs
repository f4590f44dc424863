//! Whether the water stands at the pump inlet, and how much lies above it. A gauge scatters by
//! more than a night draws: what one minute reads is neither.

use super::drawn::scatter_of;
use super::known::TankWatch;
use crate::float;
use crate::physics::slope::median;
use crate::units::Timestamp;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// The level is the middle of so long; a watering shows in it after half of that. Own default.
const OF_LATE: TimeDelta = TimeDelta::minutes(15);
/// What has run dry shows sooner, in the middle of fewer minutes, if that lies so deep that the
/// scatter does not explain it.
const SOONER: [TimeDelta; 2] = [TimeDelta::minutes(3), TimeDelta::minutes(5)];
/// Deviations of such a middle to be sure of it. Own default.
const SURE: f64 = 2.0;
/// Deviations of a middle of few minutes from that of many which chance hardly ever brings, though
/// it is looked at every minute. Own default.
const MOVED: f64 = 4.0;
/// A middle of many scatters by this much more than their mean would (the root of half of pi).
const MIDDLE_SCATTERS: f64 = 1.2533;

impl TankWatch {
    /// Litres above the pump inlet, by the middle of the last minutes; by that of the newest few
    /// where they lie so far from it that somebody fills, waters or spills.
    pub(crate) fn usable_of_late(&self) -> Option<f64> {
        let (_, newest) = self.usable()?;
        let (middle, moved) = match (self.middle_of(OF_LATE), self.middle_of(SOONER[0]), self.scatter_of_minutes) {
            (Some((middle, _)), Some((moved, values)), Some(scatter)) => {
                let off = MOVED * MIDDLE_SCATTERS * scatter / float::sqrt(values as f64);
                (middle, Some(moved).filter(|moved| (moved - middle).abs() > off))
            }
            (Some((middle, _)), ..) => (middle, None),
            (None, ..) => return Some(newest),
        };
        Some((moved.unwrap_or(middle) - self.reserve).max(0.0))
    }

    /// The pump draws air, as far as the gauge can tell.
    pub(crate) fn is_at_the_inlet(&self) -> bool {
        let Some(scatter) = self.scatter_of_minutes else {
            return self.usable().is_some_and(|(_, usable)| usable <= self.bottom());
        };
        let lies_below = |span: TimeDelta, deviations: f64| {
            self.middle_of(span).is_some_and(|(middle, values)| {
                let off = deviations * MIDDLE_SCATTERS * scatter / float::sqrt(values as f64);
                middle - self.reserve + off <= self.bottom()
            })
        };
        lies_below(OF_LATE, 0.0) || SOONER.into_iter().any(|span| lies_below(span, SURE))
    }

    /// The last millimetre or two above the inlet are none that a gauge can tell. Own default. What
    /// it may be off by as a whole is in the forecast, which says "low" before.
    fn bottom(&self) -> f64 {
        (self.usable_when_full() * 0.005).max(0.1)
    }

    /// The middle of the newest minutes within `span`, and how many there are.
    fn middle_of(&self, span: TimeDelta) -> Option<(f64, usize)> {
        let (newest, _) = self.minutes.back()?;
        // Looked at several times a minute: the newest stand at the end.
        let from = *newest - span;
        let late = self.minutes.iter().rev().take_while(|(when, _)| *when > from);
        let levels: Vec<f64> = late.map(|(_, litres)| *litres).collect();
        median(&levels).map(|middle| (middle, levels.len()))
    }

    /// The newest minute has changed it.
    pub(super) fn reckon_scatter(&mut self) {
        let levels: Vec<f64> = self.minutes.iter().map(|(_, litres)| *litres).collect();
        self.scatter_of_minutes = (levels.len() > 5).then(|| scatter_of(&levels));
    }

    /// What the minutes said is of the past.
    pub(super) fn forget_minutes(&mut self) {
        self.minutes.clear();
        self.scatter_of_minutes = None;
    }

    /// What they said up to then is.
    pub(super) fn forget_minutes_until(&mut self, until: Timestamp) {
        self.minutes.retain(|(at, _)| *at > until);
        self.reckon_scatter();
    }
}
