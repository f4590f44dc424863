//! The one drawing module: quiet charts of air and water, as PNG for letters and as SVG
//! for pages and sheets. Lines differ in dashes as well as in colour and bear their name;
//! what was not measured is hatched; a spike of one reading is still seen in a month.
//!
//! In reading order: `content` says what a chart shows, `look` how it looks, `picture` lays
//! it out, `time_axis` says where an instant lies, `field` draws a panel, `lanes` what happened; `scatter` is the other kind of
//! picture. `axis` finds the ticks, `lettering` measures words, `canvas` is what can be
//! drawn on, `svg` and `png` are two of those.

mod axis;
mod canvas;
mod content;
mod day_line;
mod field;
mod key;
mod lanes;
mod lettering;
mod look;
mod picture;
mod png;
pub mod scatter;
mod svg;
mod time_axis;

pub use content::{BandSpan, Chart, ChartError, Happening, Lane, Line, Measure, Panel, Point, Sign, Span};
pub use day_line::{DayLine, day_line};

use look::{Format, PAGE, PHONE, PIXELS_PER_POINT, SHEET};
use svg::Colours;

/// The chart of a day inside a letter, as PNG.
///
/// # Errors
/// When the span is empty or the picture would be too large.
pub(crate) fn day_chart(chart: &Chart) -> Result<Vec<u8>, ChartError> {
    png(chart, PHONE)
}

/// A chart of any span, from hours to months, as PNG; `phone`: legible at 360 px.
///
/// # Errors
/// When the span is empty or the picture would be too large.
pub(crate) fn history_chart_png(chart: &Chart, phone: bool) -> Result<Vec<u8>, ChartError> {
    png(chart, if phone { PHONE } else { PAGE })
}

/// A chart of any span, from hours to months, as SVG text.
///
/// # Errors
/// When the span is empty.
pub(crate) fn history_chart_svg(chart: &Chart) -> Result<String, ChartError> {
    svg(chart, PAGE, Colours::Fixed)
}

/// The same, legible at 360 px.
///
/// # Errors
/// When the span is empty.
pub(crate) fn phone_chart_svg(chart: &Chart) -> Result<String, ChartError> {
    svg(chart, PHONE, Colours::Fixed)
}

/// A chart for inside a page that bears [`page_style`]: once as wide as a phone, once as
/// wide as a sheet. Its colours follow the page, also into the dark.
///
/// # Errors
/// When the span is empty.
pub(crate) fn inline_charts(chart: &Chart) -> Result<[String; 2], ChartError> {
    Ok([svg(chart, PHONE, Colours::OfThePage)?, svg(chart, SHEET, Colours::OfThePage)?])
}

/// The colours of [`inline_charts`] as CSS custom properties: those of light paper, and of
/// dark paper where the reader's device asks for it and nothing is printed.
pub(crate) fn page_style() -> String {
    let list = |shade: fn(&canvas::Tone) -> u32| -> String {
        look::TONES.iter().map(|tone| format!("--{}:#{:06x};", tone.name, shade(tone))).collect()
    };
    format!(
        ":root{{color-scheme:light dark;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        list(|tone| tone.light),
        list(|tone| tone.dark)
    )
}

fn svg(chart: &Chart, setting: Format, colours: Colours) -> Result<String, ChartError> {
    check(chart)?;
    let picture = picture::Layout::of(chart, setting);
    let mut canvas = svg::SvgCanvas::new(setting.width, picture.height, &chart.title, colours);
    picture.draw(&mut canvas);
    Ok(canvas.finish())
}

fn png(chart: &Chart, setting: Format) -> Result<Vec<u8>, ChartError> {
    check(chart)?;
    let picture = picture::Layout::of(chart, setting);
    let mut canvas = png::PngCanvas::new(setting.width, picture.height, PIXELS_PER_POINT)?;
    picture.draw(&mut canvas);
    canvas.finish()
}

fn check(chart: &Chart) -> Result<(), ChartError> {
    if chart.until > chart.from { Ok(()) } else { Err(ChartError::EmptySpan) }
}

#[cfg(test)]
pub(crate) mod tests;
#[cfg(test)]
pub(crate) use tests::tray as sample_tray;
