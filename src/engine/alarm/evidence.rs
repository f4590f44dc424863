//! What a watch says of a condition: whether it holds, when its harm begins, and the
//! numbers behind it.

use crate::alarm::harm::Harm;
use crate::physics::infection::PathogenName;
use crate::reading::Quantity;
use crate::refusal::RefusalWord;
use crate::units::Timestamp;
use crate::watch::band::CropAtStage;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// What a watch sees of a condition at one moment.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// It holds: an alarm begins when it has held for the delay of its kind.
    Present {
        /// When its harm begins.
        harm: Option<Harm>,
        /// The figures a letter about it gives.
        evidence: Evidence,
    },
    /// It does not hold, deadband included.
    Absent,
    /// The same, with the numbers of now: what is said when it is over.
    Gone {
        /// The figures a letter gives when it says that it is over.
        evidence: Evidence,
    },
    /// Nobody can tell: bad or missing data neither raises nor clears.
    Unknown,
}

/// What hangs on a store that does not commit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct AtStake {
    /// Readings that were judged and are kept in memory alone; a stop loses them.
    pub unsaved: u64,
    /// Readings that were judged but will never be saved: memory had no room for more.
    pub lost: u64,
    /// The daemon began without what was written before: it knows no tray and no watering.
    pub without_past: bool,
}

/// The numbers behind an alarm. Celsius, per cent, litres; words are made in `notify`.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Evidence {
    /// Air outside the band of the stage.
    Air {
        /// The place's name.
        place: String,
        /// Temperature or humidity.
        quantity: Quantity,
        /// What it is now.
        value: f64,
        /// The limit of the band.
        limit: f64,
        /// The worst value of this episode.
        worst: f64,
        /// What stands there, each crop and stage once; empty if not known.
        crops: Vec<CropAtStage>,
        /// Dew point now, Celsius, if both quantities are known.
        dew_point: Option<f64>,
        /// What the dew point may be off by, kelvin.
        dew_point_accuracy: Option<f64>,
        /// What the value may be off by, as the settings state it.
        accuracy: f64,
    },
    /// A surface colder than the dew point.
    Condensation {
        /// The place's name.
        place: String,
        /// Dew point, Celsius.
        dew_point: f64,
        /// Temperature of the surface, Celsius.
        surface: f64,
        /// What the difference of the two may be off by, kelvin.
        accuracy: f64,
        /// What the probe is on; `None`: no probe, a cold spot is assumed.
        on: Option<String>,
    },
    /// Hours that allowed infection.
    Mold {
        /// The place's name.
        place: String,
        /// The trays concerned.
        trays: Vec<String>,
        /// 0 to 100.
        pressure: f64,
        /// Hours that conditions have allowed.
        hours: f64,
        /// The least and the most of them, as far as the hygrometer is good.
        between: (f64, f64),
        /// Hours that are needed at this temperature.
        needed: f64,
        /// The pathogen whose response it is reckoned by.
        pathogen: PathogenName,
    },
    /// A tray drying out.
    Dryness {
        /// The place's name.
        place: String,
        /// The trays concerned.
        trays: Vec<String>,
        /// Hours until dry, best estimate.
        hours: f64,
        /// Last watering, if logged.
        watered: Option<Timestamp>,
        /// A watering in the log that its tank did not show.
        not_shown: Option<Timestamp>,
        /// A usual watering has passed that nobody wrote down: done and not typed, or not done.
        unlogged: bool,
    },
    /// A tray past its stage.
    Stage {
        /// The tray, by the grower's name for it.
        tray: String,
        /// The place's name.
        place: String,
        /// The crop or blend.
        crop: String,
        /// The stage it is in.
        stage: crate::watch::trays::tray::Stage,
        /// When that stage should have ended.
        due: Timestamp,
    },
    /// Level, draw and forecast of a reservoir.
    Reservoir {
        /// The reservoir's name.
        reservoir: String,
        /// Litres above the pump inlet.
        usable: f64,
        /// Share of the usable volume, per cent.
        percent: f64,
        /// Litres an hour; `None`: no measurable draw.
        draw: Option<f64>,
        /// When it reaches the pump inlet: best estimate, early and late bound.
        empty_at: Option<(Timestamp, Timestamp, Timestamp)>,
        /// Litres that fill it.
        to_fill: f64,
        /// Litres a day that waterings take in pulses; zero: none were seen.
        waterings: f64,
    },
    /// A draw that plants cannot explain.
    Leak {
        /// The reservoir's name.
        reservoir: String,
        /// Litres an hour, now.
        draw: f64,
        /// Litres an hour that plants and pump can explain.
        expected: f64,
        /// Litres lost since it began.
        lost: f64,
        /// It went at once, unlogged: in so many minutes.
        sudden_minutes: Option<i64>,
        /// Litres above the pump inlet.
        usable: f64,
    },
    /// A sensor has stopped speaking.
    Silent {
        /// Where it hangs: the place's or the reservoir's name.
        place: String,
        /// When it was last heard; `None`: never since we listen.
        last_heard: Option<Timestamp>,
        /// How often it should speak.
        every: TimeDelta,
        /// Nothing else measures this place.
        blind: bool,
        /// Every sensor of the site is silent, though the broker is there.
        all: bool,
    },
    /// A sensor repeats one value.
    Stuck {
        /// Where it hangs.
        place: String,
        /// What it reports.
        quantity: Quantity,
        /// The value it repeats, as believed.
        value: f64,
    },
    /// A sensor says what cannot be.
    Implausible {
        /// Where it hangs.
        place: String,
        /// Refused messages in the last hour.
        refused: u32,
        /// Messages in the last hour.
        heard: u32,
        /// The commonest reason, as its stable word.
        #[serde(with = "crate::refusal")]
        reason: RefusalWord,
    },
    /// Two sensors drift apart.
    Drift {
        /// The place it is about, as the settings have it.
        place: String,
        /// The other sensor.
        peer: String,
        /// What they report.
        quantity: Quantity,
        /// Mean difference over the window, in the channel's unit.
        difference: f64,
    },
    /// No connection to the broker.
    Broker,
    /// Somebody else connects to the broker under our client id.
    Contested {
        /// How often we were thrown out lately.
        times: u32,
        /// The client id that both use.
        client_id: String,
    },
    /// Letters do not leave.
    Mail {
        /// Letters that wait.
        waiting: u32,
        /// The last error.
        error: String,
    },
    /// The store does not commit.
    Store {
        /// The last error.
        error: String,
        /// What hangs on it so far.
        at_stake: AtStake,
    },
    /// The store commits, but something of what it held is gone or is not what was saved.
    StoreHurt {
        /// What, as sentences without a full stop at the end.
        what: String,
    },
    /// The clock was set.
    Clock {
        /// By how much; positive is forward.
        by: TimeDelta,
    },
}

impl Evidence {
    /// Whether a watering was done is not known, or a place is not seen: hands look at the next
    /// round, however likely it is that all is well.
    pub(crate) fn wants_a_look(&self) -> bool {
        match self {
            Evidence::Dryness { unlogged, not_shown, .. } => *unlogged || not_shown.is_some(),
            Evidence::Silent { blind, .. } => *blind,
            Evidence::Broker => true,
            _ => false,
        }
    }

    /// The same lamp, but another trouble: what was answered before was not this.
    pub(crate) fn is_another_cause(&self, before: &Evidence) -> bool {
        match (before, self) {
            (Evidence::StoreHurt { what: before }, Evidence::StoreHurt { what }) => before != what,
            (Evidence::Store { .. }, Evidence::StoreHurt { .. })
            | (Evidence::StoreHurt { .. }, Evidence::Store { .. })
            | (Evidence::Broker, Evidence::Contested { .. })
            | (Evidence::Contested { .. }, Evidence::Broker) => true,
            _ => false,
        }
    }

    /// It rests on an entry that nobody typed. Such a thing is asked for, never called for.
    pub(crate) fn is_a_question(&self) -> bool {
        matches!(self, Evidence::Stage { .. } | Evidence::Dryness { unlogged: true, .. })
    }
}
