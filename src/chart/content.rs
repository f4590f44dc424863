//! What a chart shows, as plain values: panels with lines and bands, stages, nights, and
//! things that happened.

use crate::reading::BelievedAs;
use crate::units::{Celsius, Litres, Timestamp, UnitSystem};
use chrono::TimeDelta;

/// What a panel shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// Degrees Celsius, shown in the site's unit.
    Temperature,
    /// Per cent relative humidity.
    Humidity,
    /// Vapour pressure deficit, kilopascals.
    Vpd,
    /// Litres, shown in the site's unit.
    Volume,
    /// Mold pressure, 0 to 100.
    MoldPressure,
}

/// A span of time as the store keeps it: the lowest, the mean and the highest
/// value from `at` on. A single reading has all three alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When it was measured, or when the span begins.
    pub at: Timestamp,
    /// Lowest.
    pub low: f64,
    /// Mean.
    pub mean: f64,
    /// Highest.
    pub high: f64,
}

/// One line in a panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its name, written at its end where a panel has more than one.
    pub name: String,
    /// Ascending in time; Celsius, per cent, kilopascals, litres or pressure. Values that
    /// are not finite are left out.
    pub points: Vec<Point>,
    /// Points further apart than this have a gap between them.
    pub(crate) gap_after: TimeDelta,
}

/// What the trays ask for over a span.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandSpan {
    /// The moment from which these limits hold.
    pub from: Timestamp,
    /// The moment until which these limits hold.
    pub until: Timestamp,
    /// The lowest value, where there is a limit.
    pub low: Option<f64>,
    /// The highest value, where there is a limit.
    pub high: Option<f64>,
}

/// One quantity over the chart's time.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// The quantity on the panel's axis, with its unit.
    pub measure: Measure,
    /// The first is what the panel is about: where it has no data is hatched. At most four
    /// can be told apart.
    pub lines: Vec<Line>,
    /// What the trays ask for; outside it the first line is thick.
    pub bands: Vec<BandSpan>,
    /// Others behind the lines: lowest, median and highest.
    pub peers: Option<Line>,
}

/// A stage, or anything else that lasts and has a name.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// When it begins.
    pub from: Timestamp,
    /// When it ends.
    pub until: Timestamp,
    /// The name that is written into it.
    pub label: String,
}

/// What an event looks like in its lane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// A drop: watered.
    Drop,
    /// A hollow drop: misted.
    Mist,
    /// A ring: looked at.
    Ring,
    /// A triangle that points on: moved.
    Arrow,
    /// A hollow square: uncovered, weight off.
    Square,
    /// A cross: cut or thrown away.
    Cross,
    /// A diamond: an alarm; with an end, a bar runs on to it.
    Diamond,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Happening {
    /// When it happened, or began.
    pub at: Timestamp,
    /// When it was over, if it lasted.
    pub until: Option<Timestamp>,
    /// How it is drawn.
    pub sign: Sign,
    /// A word beside it, left out where there is no room; may be empty.
    pub word: String,
}

/// A row of things that happened, below the panels.
#[derive(Clone, Debug, PartialEq)]
pub struct Lane {
    /// One short word.
    pub name: String,
    /// Ascending in time.
    pub(crate) happenings: Vec<Happening>,
}

/// A chart: panels one below the other over one time axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What it is of. May be empty: then it stands in the text around.
    pub(crate) title: String,
    /// Where the axis begins.
    pub from: Timestamp,
    /// Where it ends; later than `from`.
    pub until: Timestamp,
    /// Whose midnight counts.
    pub time_zone: chrono_tz::Tz,
    /// How numbers are shown.
    pub units: UnitSystem,
    /// From top to bottom.
    pub panels: Vec<Panel>,
    /// Stages, named in a strip above the panels.
    pub(crate) stages: Vec<Span>,
    /// Spans shaded as nights.
    pub nights: Vec<(Timestamp, Timestamp)>,
    /// Things that happened, a row each below the time axis.
    pub(crate) lanes: Vec<Lane>,
}

/// Why there is no picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChartError {
    /// The axis would have no length.
    #[error("a chart must end later than it begins")]
    EmptySpan,
    /// The picture would be larger than memory allows.
    #[error("a chart of {width} by {height} pixels cannot be drawn; ask for fewer panels")]
    Size {
        /// Pixels across.
        width: u32,
        /// Pixels down.
        height: u32,
    },
    /// There is nothing to put into a plot.
    #[error("there is no lot whose figures are all known, so there is nothing to plot")]
    NoPoints,
    /// The picture could not be packed.
    #[error("the chart could not be packed as PNG")]
    Png,
}

impl Measure {
    /// The panel in which a believed value is drawn.
    pub fn of(believed: BelievedAs) -> Measure {
        match believed {
            BelievedAs::Temperature => Measure::Temperature,
            BelievedAs::Humidity => Measure::Humidity,
            BelievedAs::Volume => Measure::Volume,
        }
    }

    /// The name above a panel.
    pub(crate) fn label(self) -> &'static str {
        match self {
            Measure::Temperature => "Temperature",
            Measure::Humidity => "Humidity",
            Measure::Vpd => "VPD",
            Measure::Volume => "Water in the tank",
            Measure::MoldPressure => "Mold pressure",
        }
    }

    /// The sign of the unit it is shown in.
    pub(crate) fn unit(self, units: UnitSystem) -> &'static str {
        match (self, units) {
            (Measure::Temperature, UnitSystem::Metric) => "°C",
            (Measure::Temperature, UnitSystem::Us) => "°F",
            (Measure::Humidity, _) => "%",
            (Measure::Vpd, _) => "kPa",
            (Measure::MoldPressure, _) => "0 to 100",
            (Measure::Volume, UnitSystem::Metric) => "L",
            (Measure::Volume, UnitSystem::Us) => "gal",
        }
    }

    /// The value in the unit it is shown in.
    pub(crate) fn shown(self, value: f64, units: UnitSystem) -> f64 {
        match (self, units) {
            (Measure::Temperature, UnitSystem::Us) => Celsius(value).to_fahrenheit(),
            (Measure::Volume, UnitSystem::Us) => Litres(value).to_us_gallons(),
            _ => value,
        }
    }

    /// The least height of its axis, so that noise does not look like weather.
    pub(crate) fn least_span(self, units: UnitSystem) -> f64 {
        match (self, units) {
            (Measure::Temperature, UnitSystem::Us) => 7.0,
            (Measure::Temperature, UnitSystem::Metric) => 4.0,
            (Measure::Humidity, _) => 20.0,
            (Measure::MoldPressure, _) => 60.0,
            (Measure::Vpd, _) => 0.4,
            (Measure::Volume, _) => 2.0,
        }
    }

    /// Digits after the point.
    pub(crate) fn digits(self) -> usize {
        match self {
            Measure::Humidity | Measure::MoldPressure => 0,
            Measure::Temperature | Measure::Volume => 1,
            Measure::Vpd => 2,
        }
    }
}
