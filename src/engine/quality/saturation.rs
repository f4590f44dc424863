//! A hygrometer at the top of its scale, as a state of its own. It is not stuck, not
//! implausible and no drift: the air is at least so damp, or the element itself is wet. For a
//! while after, it reads high; so what it says then is used, but no sister is judged by it.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// Pinned for so long, it is called saturated (own default).
const SATURATED_AFTER: TimeDelta = TimeDelta::hours(6);
/// It recovers for half as long as it was saturated, within these. Makers speak of slow
/// recovery after days near saturation (from memory); own default.
const RECOVERS_LEAST: TimeDelta = TimeDelta::hours(1);
const RECOVERS_MOST: TimeDelta = TimeDelta::hours(12);
/// A hygrometer stands at the top of its scale when it is no further below than half its own
/// step and this, per cent: some end at 99.9. Own default.
const NEAR_THE_TOP: f64 = 0.101;

/// What one hygrometer has been through.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct Saturation {
    pinned_since: Option<Timestamp>,
    recovering: Option<(Timestamp, Timestamp)>,
}

/// How a hygrometer stands with respect to the top of its scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pinned {
    /// Below the top.
    No,
    /// At the top since then, not for long: the air is at least so damp.
    Since(Timestamp),
    /// At the top for so long that the element may itself be wet.
    Saturated(Timestamp),
    /// It was saturated, and reads high until about then.
    Recovering(Timestamp),
}

impl Pinned {
    /// Whether a sister may be judged by what it says.
    pub(crate) fn tells_of_the_air(self) -> bool {
        self == Pinned::No
    }

    /// At the top of its scale, where a reading means "at least".
    pub(crate) fn at_top(self) -> bool {
        matches!(self, Pinned::Since(_) | Pinned::Saturated(_))
    }

    /// The stable word, for JSON; `None` below the top.
    pub fn word(self) -> Option<&'static str> {
        match self {
            Pinned::No => None,
            Pinned::Since(_) => Some("at-the-top"),
            Pinned::Saturated(_) => Some("saturated"),
            Pinned::Recovering(_) => Some("recovering"),
        }
    }
}

impl Saturation {
    /// Takes in a reading as it was sent and as it is believed: a correction may push it
    /// against 100 %, or pull the top of its scale below. `ceiling`: the highest it can send;
    /// `resolution`: its step.
    pub(crate) fn take(&mut self, at: Timestamp, raw: f64, believed: f64, ceiling: f64, resolution: f64) {
        let below = NEAR_THE_TOP + resolution.clamp(0.0, 2.0) / 2.0;
        if raw >= ceiling - below || believed >= 100.0 - NEAR_THE_TOP {
            self.pinned_since.get_or_insert(at);
            self.recovering = None;
            return;
        }
        if let Some(since) = self.pinned_since.take() {
            let stood = at - since;
            if stood >= SATURATED_AFTER {
                let until = at + (stood / 2).clamp(RECOVERS_LEAST, RECOVERS_MOST);
                self.recovering = Some((at, until));
            }
        }
    }

    /// How it stands at a time.
    pub(crate) fn at(&self, at: Timestamp) -> Pinned {
        match (self.pinned_since, self.recovering) {
            (Some(since), _) if at - since >= SATURATED_AFTER => Pinned::Saturated(since),
            (Some(since), _) => Pinned::Since(since),
            (None, Some((_, until))) if at < until => Pinned::Recovering(until),
            _ => Pinned::No,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::minutes(minutes)
    }

    fn take(watch: &mut Saturation, minute: i64, raw: f64, believed: f64) {
        watch.take(at(minute), raw, believed, 100.0, 0.0);
    }

    #[test]
    fn six_hours_at_the_top_are_saturation_and_half_as_long_recovery() {
        let mut watch = Saturation::default();
        take(&mut watch, 0, 99.8, 97.3);
        assert_eq!(watch.at(at(0)), Pinned::No);
        for minute in 1..=600 {
            // Corrected to 97.4: the top of the sensor counts, not what is believed.
            take(&mut watch, minute, 99.9, 97.4);
        }
        assert_eq!(watch.at(at(360)), Pinned::Since(at(1)));
        assert_eq!(watch.at(at(361)), Pinned::Saturated(at(1)));
        take(&mut watch, 601, 96.0, 93.5);
        assert_eq!(watch.at(at(601)), Pinned::Recovering(at(901)));
        assert_eq!(watch.at(at(901)), Pinned::No);
    }

    #[test]
    fn an_hour_of_fog_leaves_nothing_behind() {
        let mut watch = Saturation::default();
        (0..60).for_each(|minute| take(&mut watch, minute, 100.0, 100.0));
        take(&mut watch, 60, 95.0, 95.0);
        assert_eq!(watch.at(at(60)), Pinned::No);
    }

    #[test]
    fn a_scale_that_ends_lower_has_its_own_top() {
        let mut watch = Saturation::default();
        watch.take(at(0), 95.0, 95.0, 95.0, 1.0);
        assert!(watch.at(at(0)).at_top());
        watch.take(at(1), 94.0, 94.0, 95.0, 1.0);
        assert_eq!(watch.at(at(1)), Pinned::No);
        watch.take(at(2), 97.0, 100.0, 100.0, 1.0);
        assert!(watch.at(at(2)).at_top(), "believed to be at least 100 %");
        watch.take(at(3), 99.0, 99.0, 100.0, 1.0);
        assert_eq!(watch.at(at(3)), Pinned::No, "one step below");
    }
}
