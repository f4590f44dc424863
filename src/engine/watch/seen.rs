//! What every watch may look at when a minute is judged, and what it says of it: the one
//! shape of all watches.

use crate::alarm::cycle::Hold;
use crate::alarm::register::Register;
use crate::alarm::{AlarmKind, Condition};
use crate::physics::slope;
use crate::quality::judge::Judge;
use crate::quality::window::Minutes;
use crate::reading::{ChannelId, SensorId};
use crate::rules::{PlaceId, Reservoir, ReservoirId, Rules};
use crate::units::Timestamp;
use crate::watch::trays::Trays;
use alloc::string::String;
use alloc::vec::Vec;

/// What is known besides what a watch remembers itself.
#[derive(Clone, Copy)]
pub(crate) struct Seen<'a> {
    /// What the grower has set.
    pub(crate) rules: &'a Rules,
    /// The end of the minute that is judged.
    pub(crate) at: Timestamp,
    /// When the last planned round began.
    pub(crate) round_at: Timestamp,
    /// Since when people sleep, while they do.
    pub(crate) asleep_since: Option<Timestamp>,
    /// What the quality stage knows of every channel.
    pub(crate) judges: &'a [Judge],
    /// Every channel's means.
    pub(crate) minutes: &'a [Minutes],
    /// The trays, as the journal has them.
    pub(crate) trays: &'a Trays,
    /// The alarms as they stand, for deadbands.
    pub(crate) alarms: &'a Register,
}

/// What an alarm is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Subject {
    Place(PlaceId),
    Reservoir(ReservoirId),
    Sensor(SensorId),
    Tray(String),
    Site,
}

impl Subject {
    /// The word it is filed under.
    pub(crate) fn id<'a>(&'a self, rules: &'a Rules) -> &'a str {
        match self {
            Subject::Place(place) => &rules.place(*place).id,
            Subject::Reservoir(reservoir) => &rules.reservoir(*reservoir).id,
            Subject::Sensor(sensor) => &rules.sensor(*sensor).id,
            Subject::Tray(tray) => tray,
            Subject::Site => "site",
        }
    }
}

/// A condition that a watch has judged: whose alarm it is, and whether it holds.
pub(crate) struct Judged {
    pub(crate) subject: Subject,
    pub(crate) kind: AlarmKind,
    pub(crate) condition: Condition,
    /// How long such a condition usually lasts by itself, where that was learnt.
    pub(crate) settling: Option<Hold>,
}

impl Judged {
    pub(crate) fn of(subject: Subject, (kind, condition): (AlarmKind, Condition)) -> Self {
        Judged { subject, kind, condition, settling: None }
    }
}

impl<'a> Seen<'a> {
    /// What the quality stage knows of a channel.
    pub(crate) fn judge(&self, channel: ChannelId) -> &'a Judge {
        &self.judges[usize::from(channel.0)]
    }

    /// The newest mean of a channel, if it is fresh.
    pub(crate) fn fresh(&self, channel: ChannelId) -> Option<f64> {
        self.minutes[usize::from(channel.0)].fresh(self.at)
    }

    /// The middle of what these channels say now. One whose sensor is known to talk nonsense is
    /// heard only where no other speaks.
    pub(crate) fn middle(&self, channels: &[ChannelId]) -> Option<f64> {
        let raves = |channel: ChannelId| {
            let sensor = self.rules.channel(channel).sensor;
            self.alarms.is_held(AlarmKind::SensorImplausible, &self.rules.sensor(sensor).id)
        };
        let said = |wanted: &dyn Fn(ChannelId) -> bool| {
            let heard = channels.iter().filter(|channel| wanted(**channel));
            slope::median(&heard.filter_map(|channel| self.fresh(*channel)).collect::<Vec<f64>>())
        };
        said(&|channel| !raves(channel)).or_else(|| said(&|_| true))
    }

    /// What the quality stage knows of every channel of a sensor.
    pub(crate) fn judges_of(&self, sensor: SensorId) -> impl Iterator<Item = &'a Judge> {
        let mine = self.rules.channels.iter().zip(self.judges).filter(move |(channel, _)| channel.sensor == sensor);
        mine.map(|(_, judge)| judge)
    }

    /// How many trays a reservoir waters.
    pub(crate) fn trays_on(&self, reservoir: &Reservoir) -> u32 {
        self.trays.growing().filter(|tray| self.rules.waters(reservoir, tray.place)).map(|tray| tray.count).sum()
    }
}
