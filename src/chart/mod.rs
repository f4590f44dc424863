//! The one drawing module: quiet charts of air and water, as PNG for letters and
//! as SVG for pages. Lines differ in form as well as in colour; what was not
//! measured stays white; a spike of one reading is still seen in a month.
//!
//! In reading order: this file says what a chart shows, `picture` lays it out,
//! `axis` finds the ticks, `canvas` is what can be drawn on, `svg` and `png` are
//! two of those.

mod axis;
mod canvas;
mod lettering;
mod look;
mod picture;
mod png;
pub mod scatter;
mod svg;

use crate::units::{Celsius, Litres, Timestamp, UnitSystem};
use chrono::TimeDelta;
use look::{PAGE, PHONE, PIXELS_PER_POINT, Setting};

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

/// One quantity over the chart's time.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// What it is.
    pub measure: Measure,
    /// Ascending in time; Celsius, per cent, kilopascals or litres. Values that
    /// are not finite are left out.
    pub points: Vec<Point>,
    /// What the trays ask for: lowest and highest, where there is a limit.
    pub band: (Option<f64>, Option<f64>),
    /// Points further apart than this have a gap between them.
    pub gap_after: TimeDelta,
}

/// A chart: panels one below the other over one time axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What it is of.
    pub title: String,
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
    /// Spans without light, shaded.
    pub nights: Vec<(Timestamp, Timestamp)>,
    /// Things that happened, with a word each.
    pub marks: Vec<(Timestamp, String)>,
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

/// The chart of a day inside a letter, as PNG.
///
/// # Errors
/// When the span is empty or the picture would be too large.
pub fn day_chart(chart: &Chart) -> Result<Vec<u8>, ChartError> {
    png(chart, PHONE)
}

/// A chart of any span, from hours to months, as PNG.
///
/// # Errors
/// When the span is empty or the picture would be too large.
pub fn history_chart_png(chart: &Chart) -> Result<Vec<u8>, ChartError> {
    png(chart, PAGE)
}

/// A chart of any span, from hours to months, as SVG text.
///
/// # Errors
/// When the span is empty.
pub fn history_chart_svg(chart: &Chart) -> Result<String, ChartError> {
    check(chart)?;
    let mut canvas = svg::SvgCanvas::new(PAGE.width, picture::height(chart, PAGE), &chart.title, svg::Colours::Fixed);
    picture::draw(chart, PAGE, &mut canvas);
    Ok(canvas.finish())
}

fn png(chart: &Chart, setting: Setting) -> Result<Vec<u8>, ChartError> {
    check(chart)?;
    let mut canvas = png::PngCanvas::new(setting.width, picture::height(chart, setting), PIXELS_PER_POINT)?;
    picture::draw(chart, setting, &mut canvas);
    canvas.finish()
}

fn check(chart: &Chart) -> Result<(), ChartError> {
    if chart.until > chart.from { Ok(()) } else { Err(ChartError::EmptySpan) }
}

impl Measure {
    /// The name above a panel.
    pub(crate) fn label(self) -> &'static str {
        match self {
            Measure::Temperature => "Temperature",
            Measure::Humidity => "Humidity",
            Measure::Vpd => "VPD",
            Measure::Volume => "Usable water",
        }
    }

    /// The sign of the unit it is shown in.
    pub(crate) fn unit(self, units: UnitSystem) -> &'static str {
        match (self, units) {
            (Measure::Temperature, UnitSystem::Metric) => "°C",
            (Measure::Temperature, UnitSystem::Us) => "°F",
            (Measure::Humidity, _) => "%",
            (Measure::Vpd, _) => "kPa",
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
            (Measure::Vpd, _) => 0.4,
            (Measure::Volume, _) => 2.0,
        }
    }

    /// Digits after the point.
    pub(crate) fn digits(self) -> usize {
        match self {
            Measure::Humidity => 0,
            Measure::Temperature | Measure::Volume => 1,
            Measure::Vpd => 2,
        }
    }
}

#[cfg(test)]
mod tests;
