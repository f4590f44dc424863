//! Every threshold, span, place and zone the engine obeys. `config` builds it;
//! the engine has never heard of TOML.

use crate::reading::{ChannelId, Quantity, SensorId};
use crate::units::{Celsius, UnitSystem};
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::{NaiveDate, NaiveTime, TimeDelta};

use crate::alarm::AlarmKind;
use crate::crop::CropTable;
use crate::physics::tank_geometry::Shape;

/// A place: an index into [`Rules::places`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct PlaceId(pub u16);

/// A reservoir: an index into [`Rules::reservoirs`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct ReservoirId(pub u16);

/// What the engine obeys, built once and never changed.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Rules {
    /// The site and its people.
    pub site: Site,
    /// Places in the order of the config.
    pub places: Vec<Place>,
    /// Air sensors and level gauges in the order of the config.
    pub sensors: Vec<Sensor>,
    /// Every quantity of every sensor.
    pub channels: Vec<Channel>,
    /// Reservoirs in the order of the config.
    pub reservoirs: Vec<Reservoir>,
    /// What each crop bears.
    pub crops: CropTable,
    /// Changes to the built-in alarm table.
    pub alarms: BTreeMap<AlarmKind, AlarmTuning>,
}

/// The site and its people.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Site {
    /// The grower's name for it; also the `<site>` of the MQTT topics, made safe.
    pub name: String,
    /// Where local time comes from.
    pub time_zone: chrono_tz::Tz,
    /// How numbers are shown.
    pub units: UnitSystem,
    /// Local times when somebody is in the room, ascending, at least one.
    pub rounds: Vec<NaiveTime>,
    /// How long before a round its letter is sent.
    pub round_letter_before: TimeDelta,
    /// A covered tray that nobody has logged a look at for so long is named in the digest.
    pub look_within: TimeDelta,
    /// Local time of the digest.
    pub digest_at: NaiveTime,
    /// Local times between which people sleep and are called as late as is safe; may cross
    /// midnight. `None`: somebody is always awake.
    pub asleep: Option<(NaiveTime, NaiveTime)>,
    /// The evening letter goes out this long before they sleep.
    pub evening_letter_before: TimeDelta,
    /// Hands are needed before the next round when harm before it is more likely than this,
    /// 0 to 1.
    pub wake_if: f64,
    /// From a letter to hands at the rack, the mail's own way included.
    pub come_within: TimeDelta,
}

/// A rack or shelf whose air is alike.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Place {
    /// The id in config, topics and JSON.
    pub id: String,
    /// The grower's name for it.
    pub name: String,
    /// The place it lies in, whose sensors serve where it has none.
    pub inside: Option<PlaceId>,
    /// The grower's own limits, which replace those of crops and stages.
    pub band: BandOverride,
}

/// Limits a grower sets for a place. `None` keeps what crops and stages ask for.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BandOverride {
    /// Lowest temperature, degrees Celsius.
    pub temperature_min: Option<f64>,
    /// Highest temperature, degrees Celsius.
    pub temperature_max: Option<f64>,
    /// Lowest relative humidity, per cent.
    pub humidity_min: Option<f64>,
    /// Highest relative humidity, per cent.
    pub humidity_max: Option<f64>,
}

/// A device that publishes.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Sensor {
    /// The id in config and JSON. For a reservoir's gauge: the reservoir's id.
    pub id: String,
    /// Where it hangs. `None` for a reservoir's gauge.
    pub place: Option<PlaceId>,
    /// The reservoir it gauges, if it does.
    pub reservoir: Option<ReservoirId>,
    /// How often it should speak.
    pub every: TimeDelta,
    /// Missed for longer than this, it is silent.
    pub silent_after: TimeDelta,
    /// What it is stuck on ("window", "chiller line"): then its temperature is that of a
    /// surface in the place, not of its air. `None`: it measures air, or gauges a tank.
    pub surface: Option<String>,
}

/// One quantity of one sensor.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Channel {
    /// The device that publishes this channel.
    pub sensor: SensorId,
    /// What it reports.
    pub quantity: Quantity,
    /// The sensor's stated accuracy, in the channel's unit (plus or minus).
    pub accuracy: f64,
    /// `believed = gain * raw + offset`, from a calibration.
    pub gain: f64,
    /// See `gain`; in the channel's unit.
    pub offset: f64,
    /// The smallest step the sensor can report, in the channel's unit; zero if not known.
    pub resolution: f64,
    /// The highest value a hygrometer can send, per cent; 100 for most.
    pub ceiling: f64,
    /// When `gain` and `offset` were found.
    pub calibrated: Option<NaiveDate>,
}

/// A tank that feeds places.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Reservoir {
    /// The id in config, topics and JSON.
    pub id: String,
    /// The grower's name for it.
    pub name: String,
    /// The places it waters.
    pub feeds: Vec<PlaceId>,
    /// The device that measures its level.
    pub sensor: SensorId,
    /// The gauge's channel.
    pub channel: ChannelId,
    /// From depth to volume.
    pub shape: Shape,
    /// How its echo is corrected for the warmth of the air; `None`: it is not.
    pub echo: Option<Echo>,
    /// Height of the gauge above the tank floor, millimetres; only for a distance gauge.
    pub sensor_height_mm: f64,
    /// Depth at which the pump draws air, millimetres.
    pub pump_inlet_mm: f64,
    /// Below this share of the usable volume it is called low even when nothing is drawn, per cent.
    pub low_percent: f64,
}

impl Reservoir {
    /// Litres by which a volume may be off, for a gauge with this channel: a millimetre weighs
    /// more where the tank is wide.
    pub(crate) fn litres_accuracy(&self, gauge: &Channel, litres: f64) -> f64 {
        match gauge.quantity {
            Quantity::Distance | Quantity::Depth => {
                let depth = self.shape.depth_for(litres);
                let off = gauge.accuracy.abs();
                let (low, high) = (self.shape.litres(depth - off), self.shape.litres(depth + off));
                // At the floor and the rim only one side is left.
                (high - litres).max(litres - low)
            }
            Quantity::Filling => self.shape.capacity_litres() * gauge.accuracy / 100.0,
            Quantity::Volume | Quantity::Temperature | Quantity::Humidity => gauge.accuracy,
        }
    }
}

/// What an ultrasonic gauge needs that does not correct for the warmth of the air itself.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Echo {
    /// The channel that measures the air the sound goes through.
    pub air: ChannelId,
    /// The temperature for which the gauge's own electronics reckons the speed of sound.
    pub assumed: Celsius,
}

/// The grower's changes to one row of the alarm table.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AlarmTuning {
    /// `false`: this kind never speaks.
    pub disabled: bool,
    /// How long the condition must hold.
    pub on_delay: Option<TimeDelta>,
    /// How long it must be gone.
    pub off_delay: Option<TimeDelta>,
    /// Instead of the site's `wake_if`, 0 to 1.
    pub wake_if: Option<f64>,
}

impl Rules {
    /// The place an index stands for.
    pub fn place(&self, id: PlaceId) -> &Place {
        &self.places[usize::from(id.0)]
    }

    /// The sensor an index stands for.
    pub fn sensor(&self, id: SensorId) -> &Sensor {
        &self.sensors[usize::from(id.0)]
    }

    /// The channel an index stands for.
    pub fn channel(&self, id: ChannelId) -> &Channel {
        &self.channels[usize::from(id.0)]
    }

    /// The reservoir an index stands for.
    pub fn reservoir(&self, id: ReservoirId) -> &Reservoir {
        &self.reservoirs[usize::from(id.0)]
    }

    /// The place with this id.
    pub fn place_named(&self, id: &str) -> Option<PlaceId> {
        self.places.iter().position(|place| place.id == id).map(|index| PlaceId(index as u16))
    }

    /// `inner` is `outer`, or lies inside it.
    pub fn lies_in(&self, inner: PlaceId, outer: PlaceId) -> bool {
        let mut place = inner;
        for _ in 0..=self.places.len() {
            if place == outer {
                return true;
            }
            match self.place(place).inside {
                Some(next) => place = next,
                None => return false,
            }
        }
        false
    }

    /// The reservoir feeds this place, or one around it.
    pub fn waters(&self, reservoir: &Reservoir, place: PlaceId) -> bool {
        reservoir.feeds.iter().any(|fed| self.lies_in(place, *fed))
    }
}
