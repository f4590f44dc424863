//! What a sensor said and what we believe, as two types. Intake makes
//! [`RawReading`]s; only the quality stage of the engine makes a [`Reading`].

use crate::float;
use crate::units::Timestamp;

/// One measured quantity of one sensor: an index into `Rules::channels`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct ChannelId(pub u16);

/// A device that publishes: an index into `Rules::sensors`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct SensorId(pub u16);

/// An enum whose list of all its values cannot miss one.
macro_rules! listed {
    ($(#[$of:meta])* pub enum $name:ident { $($(#[$what:meta])* $value:ident,)+ }) => {
        $(#[$of])*
        pub enum $name { $($(#[$what])* $value,)+ }

        impl $name {
            /// Every one of them, in this order.
            pub const ALL: [$name; [$($name::$value),+].len()] = [$($name::$value),+];
        }
    };
}

listed! {
    /// What a channel reports, in the unit the raw value is kept in.
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
    pub enum Quantity {
        /// Air temperature, degrees Celsius.
        Temperature,
        /// Relative humidity of the air, per cent.
        Humidity,
        /// Distance from the gauge down to the water, millimetres.
        Distance,
        /// Depth of the water above the tank floor, millimetres.
        Depth,
        /// Volume of water, litres.
        Volume,
        /// Filling, per cent of the tank's whole volume.
        Filling,
    }
}

/// What a channel's value is once it is believed: a gauge of any kind becomes litres.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum BelievedAs {
    /// Degrees Celsius.
    Temperature,
    /// Per cent relative humidity.
    Humidity,
    /// Litres in a tank.
    Volume,
}

impl BelievedAs {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            BelievedAs::Temperature => "temperature",
            BelievedAs::Humidity => "humidity",
            BelievedAs::Volume => "volume",
        }
    }

    /// The unit it is stored in, spelled out, as JSON names it.
    pub fn unit_word(self) -> &'static str {
        match self {
            BelievedAs::Temperature => "celsius",
            BelievedAs::Humidity => "percent",
            BelievedAs::Volume => "litres",
        }
    }
}

impl Quantity {
    /// The word used in the store, in JSON and in the config.
    pub fn word(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Distance => "distance",
            Quantity::Depth => "depth",
            Quantity::Volume => "volume",
            Quantity::Filling => "filling",
        }
    }

    /// The quantity with this word.
    pub fn from_word(word: &str) -> Option<Quantity> {
        Quantity::ALL.into_iter().find(|quantity| quantity.word() == word)
    }

    /// The unit a raw value is kept in, as SenML (RFC 8428) writes it where it has a word.
    pub fn unit(self) -> &'static str {
        match self {
            Quantity::Temperature => "Cel",
            Quantity::Humidity => "%RH",
            Quantity::Distance | Quantity::Depth => "mm",
            Quantity::Volume => "L",
            Quantity::Filling => "%",
        }
    }

    /// What people call it in a sentence.
    pub fn label(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => "level",
        }
    }

    /// What its value is once it is believed.
    pub fn believed_as(self) -> BelievedAs {
        match self {
            Quantity::Temperature => BelievedAs::Temperature,
            Quantity::Humidity => BelievedAs::Humidity,
            Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => BelievedAs::Volume,
        }
    }

    /// How far back inside its limit the believed value must be before an alarm about it may
    /// return: kelvin, per cent, litres. Own defaults.
    pub fn deadband(self) -> f64 {
        match self.believed_as() {
            BelievedAs::Temperature => 0.5,
            BelievedAs::Humidity => 3.0,
            // A tank's alarms have deadbands of their own, in shares of the tank.
            BelievedAs::Volume => 0.0,
        }
    }
}

/// A value as heard, converted to the unit of its [`Quantity`] and nothing else.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RawReading {
    /// The channel that spoke.
    pub channel: ChannelId,
    /// The value in the channel's unit; finite, a whole number of thousandths.
    value: f64,
    /// When the sensor says it measured, if it says so. Evidence, never order.
    pub measured_at: Option<Timestamp>,
    /// The broker handed out a retained message: its age is unknown.
    pub retained: bool,
}

impl RawReading {
    /// A value as heard. It is rounded to thousandths, the resolution the store
    /// keeps, so that a night judged again from the store sees the same numbers.
    /// `None` when the value is not finite or beyond a million in size: no
    /// quantity we know reaches that.
    pub fn new(channel: ChannelId, value: f64, measured_at: Option<Timestamp>, retained: bool) -> Option<Self> {
        if !value.is_finite() || value.abs() > 1e6 {
            return None;
        }
        let value = float::round(value * 1000.0) / 1000.0;
        // Whole milliseconds, as the store keeps it: a night judged again must see the same claim.
        let measured_at = measured_at.and_then(|at| Timestamp::from_timestamp_millis(at.timestamp_millis()));
        Some(RawReading { channel, value: value + 0.0, measured_at, retained })
    }

    /// The value in the unit of the channel's quantity.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// The value in whole thousandths, as the store keeps it.
    pub fn thousandths(&self) -> i64 {
        float::round(self.value * 1000.0) as i64
    }
}

/// How far a reading can be trusted. Numbers as in the QARTOD manuals (IOOS
/// Manual for Real-Time Quality Control of In-situ Temperature and Salinity
/// Data, version 2), which the store keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flag {
    /// Passed every test.
    Good = 1,
    /// Not evaluated: no test could be applied.
    Unknown = 2,
    /// Believable but odd. Used, and shown as odd.
    Suspect = 3,
    /// Failed a test. Never used.
    Fail = 4,
    /// The sensor said that it has no value.
    Missing = 9,
}
