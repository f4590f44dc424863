//! The one drawing module: quiet charts of air and water, as PNG for letters and as SVG
//! for pages and sheets. Lines differ in dashes as well as in colour and bear their name;
//! what was not measured is hatched; a spike of one reading is still seen in a month.
//!
//! In reading order: this file says what a chart shows, `look` how it looks, `picture` lays
//! it out, `field` draws a panel, `lanes` what happened; `scatter` is the other kind of
//! picture. `axis` finds the ticks, `lettering` measures words, `canvas` is what can be
//! drawn on, `svg` and `png` are two of those.

mod axis;
mod canvas;
mod day_line;
mod field;
mod lanes;
mod lettering;
mod look;
mod picture;
mod png;
pub mod scatter;
mod svg;

pub use day_line::{DayLine, day_line};

use crate::units::{Celsius, Litres, Timestamp, UnitSystem};
use chrono::TimeDelta;
use look::{PAGE, PHONE, PIXELS_PER_POINT, SHEET, Setting};
use svg::Colours;

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
    pub gap_after: TimeDelta,
}

/// What the trays ask for over a span.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub until: Timestamp,
    /// The lowest value, where there is a limit.
    pub low: Option<f64>,
    /// The highest value, where there is a limit.
    pub high: Option<f64>,
}

/// One quantity over the chart's time.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// What it is.
    pub measure: Measure,
    /// The first is what the panel is about: where it has no data is hatched. At most four
    /// can be told apart.
    pub lines: Vec<Line>,
    /// What the trays ask for; outside it the first line is thick.
    pub bands: Vec<Band>,
    /// Others behind the lines: lowest, median and highest.
    pub peers: Option<Line>,
}

/// A stage, or anything else that lasts and has a name.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub until: Timestamp,
    /// Its name.
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
    /// When.
    pub at: Timestamp,
    /// When it was over, if it lasted.
    pub until: Option<Timestamp>,
    /// Its look.
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
    pub happenings: Vec<Happening>,
}

/// A chart: panels one below the other over one time axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What it is of. May be empty: then it stands in the text around.
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
    /// Stages, named in a strip above the panels.
    pub stages: Vec<Span>,
    /// Spans shaded as nights.
    pub nights: Vec<(Timestamp, Timestamp)>,
    /// Things that happened, a row each below the time axis.
    pub lanes: Vec<Lane>,
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

/// A chart of any span, from hours to months, as PNG; `phone`: legible at 360 px.
///
/// # Errors
/// When the span is empty or the picture would be too large.
pub fn history_chart_png(chart: &Chart, phone: bool) -> Result<Vec<u8>, ChartError> {
    png(chart, if phone { PHONE } else { PAGE })
}

/// A chart of any span, from hours to months, as SVG text.
///
/// # Errors
/// When the span is empty.
pub fn history_chart_svg(chart: &Chart) -> Result<String, ChartError> {
    svg(chart, PAGE, Colours::Fixed)
}

/// The same, legible at 360 px.
///
/// # Errors
/// When the span is empty.
pub fn phone_chart_svg(chart: &Chart) -> Result<String, ChartError> {
    svg(chart, PHONE, Colours::Fixed)
}

/// A chart for inside a page that bears [`page_style`]: once as wide as a phone, once as
/// wide as a sheet. Its colours follow the page, also into the dark.
///
/// # Errors
/// When the span is empty.
pub fn inline_charts(chart: &Chart) -> Result<[String; 2], ChartError> {
    Ok([svg(chart, PHONE, Colours::OfThePage)?, svg(chart, SHEET, Colours::OfThePage)?])
}

/// The colours of [`inline_charts`] as CSS custom properties: those of light paper, and of
/// dark paper where the reader's device asks for it and nothing is printed.
pub fn page_style() -> String {
    let list = |shade: fn(&canvas::Tone) -> u32| -> String {
        look::TONES.iter().map(|tone| format!("--{}:#{:06x};", tone.name, shade(tone))).collect()
    };
    format!(
        ":root{{color-scheme:light dark;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        list(|tone| tone.light),
        list(|tone| tone.dark)
    )
}

fn svg(chart: &Chart, setting: Setting, colours: Colours) -> Result<String, ChartError> {
    check(chart)?;
    let picture = picture::Picture::of(chart, setting);
    let mut canvas = svg::SvgCanvas::new(setting.width, picture.height, &chart.title, colours);
    picture.draw(&mut canvas);
    Ok(canvas.finish())
}

fn png(chart: &Chart, setting: Setting) -> Result<Vec<u8>, ChartError> {
    check(chart)?;
    let picture = picture::Picture::of(chart, setting);
    let mut canvas = png::PngCanvas::new(setting.width, picture.height, PIXELS_PER_POINT)?;
    picture.draw(&mut canvas);
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

#[cfg(test)]
pub(crate) mod tests;
#[cfg(test)]
pub(crate) use tests::tray as sample_tray;
