//! What the quality stage makes of a reading: how far it is trusted and why not further, and
//! what is believed of it, as a type that nothing outside this room can make.

use crate::float;
use crate::reading::{ChannelId, Flag, RawReading};
use crate::units::Timestamp;

/// What the quality stage made of one raw reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judgement {
    /// What was heard.
    pub raw: RawReading,
    /// The flag it got.
    pub flag: Flag,
    /// Why, when the flag is not good.
    pub reason: Option<Doubt>,
    /// What is believed of it. `None` for every flag but good and suspect.
    pub believed: Option<Reading>,
}

listed! {
    /// Why a reading is doubted. The words are stable.
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
    pub enum Doubt {
        /// Outside what the sensor or the room can have.
        Range,
        /// A value common probes give for "just powered on" or "not connected".
        FaultCode,
        /// Jumped away; believed only when the next reading confirms it.
        Spike,
        /// Changed faster than room air or a tank can.
        Rate,
        /// Has not moved for longer than a live sensor can stand still.
        FlatLine,
        /// Humidity pinned at the top of its scale.
        Saturated,
        /// Retained by the broker: its age is unknown.
        Retained,
        /// Measured too long ago to speak for the present.
        Late,
        /// The same measurement was taken before.
        Duplicate,
        /// An echo whose air is not known, so that its warmth could not be taken out.
        Uncorrected,
    }
}

impl Doubt {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Doubt::Range => "range",
            Doubt::FaultCode => "fault-code",
            Doubt::Spike => "spike",
            Doubt::Rate => "rate",
            Doubt::FlatLine => "flat-line",
            Doubt::Saturated => "saturated",
            Doubt::Retained => "retained",
            Doubt::Late => "late",
            Doubt::Duplicate => "duplicate",
            Doubt::Uncorrected => "uncorrected",
        }
    }
}

/// A value we believe. Only the files of `quality` can make one: its door is theirs alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    channel: ChannelId,
    measured_at: Timestamp,
    value: f64,
    flag: Flag,
}

impl Reading {
    /// The door from heard to believed. `value` in degrees Celsius, per cent
    /// relative humidity, or litres for a reservoir.
    pub(super) fn passed_by_quality(channel: ChannelId, measured_at: Timestamp, value: f64, flag: Flag) -> Self {
        debug_assert!(matches!(flag, Flag::Good | Flag::Suspect), "nothing else is believed");
        Reading { channel, measured_at, value, flag }
    }

    /// The channel that spoke.
    pub fn channel(&self) -> ChannelId {
        self.channel
    }

    /// When it was measured, as far as we believe the sensor's claim; else when we learnt of it.
    pub fn measured_at(&self) -> Timestamp {
        self.measured_at
    }

    /// Degrees Celsius, per cent relative humidity, or litres for a reservoir.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// [`Flag::Good`] or [`Flag::Suspect`].
    pub fn flag(&self) -> Flag {
        self.flag
    }

    /// The value in whole thousandths, as the store keeps it.
    pub fn thousandths(&self) -> i64 {
        float::round(self.value * 1000.0) as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_is_kept_to_the_nearest_thousandth() {
        let kept = |value: f64| {
            Reading::passed_by_quality(ChannelId(0), Timestamp::UNIX_EPOCH, value, Flag::Good).thousandths()
        };
        assert_eq!([21.456_7, -0.000_6, 0.000_4].map(kept), [21_457, -1, 0]);
    }
}
