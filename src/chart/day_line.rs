//! A day's line: one series without axis or words, so small that fifty of them fit onto a
//! page for a phone. What it shows in figures stands beside it.

use super::Measure;
use crate::units::{Timestamp, UnitSystem};
use chrono::TimeDelta;
use std::fmt::Write;

/// Units across and down; the page stretches it to its place.
const WIDTH: f64 = 240.0;
/// See [`WIDTH`].
const HEIGHT: f64 = 40.0;

/// What a day's line shows.
#[derive(Clone, Copy, Debug)]
pub struct DayLine<'a> {
    /// What was measured.
    pub measure: Measure,
    /// When, and what in the units of [`super::Point`]; ascending.
    pub points: &'a [(Timestamp, f64)],
    /// Points further apart have a gap between them.
    pub(crate) gap_after: TimeDelta,
    /// Where the line begins.
    pub from: Timestamp,
    /// Where it ends, later than `from`.
    pub until: Timestamp,
    /// What is asked for: lowest and highest.
    pub band: (Option<f64>, Option<f64>),
    /// In which the words for who cannot see it are said.
    pub units: UnitSystem,
}

/// The line as SVG, in the tones of a page that bears [`super::page_style`]. `None` where
/// there is nothing to draw.
pub fn day_line(line: &DayLine<'_>) -> Option<String> {
    let inside = |at: Timestamp| at >= line.from && at <= line.until;
    let points: Vec<(Timestamp, f64)> =
        line.points.iter().copied().filter(|(at, value)| inside(*at) && value.is_finite()).collect();
    let low = points.iter().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
    if points.len() < 2 || line.until <= line.from {
        return None;
    }
    // Noise should not look like weather: the least height is that of the large charts.
    let shown = |value: f64| line.measure.shown(value, line.units);
    let scale = (shown(1.0) - shown(0.0)).abs();
    let span = (high - low).max(line.measure.least_span(line.units) / scale) * 1.1;
    let bottom = (low + high) / 2.0 - span / 2.0;
    let down = |value: f64| (HEIGHT - (value - bottom) / span * HEIGHT).clamp(0.0, HEIGHT).round() as i64;
    let length = (line.until - line.from).num_seconds() as f64;
    let across = |at: Timestamp| ((at - line.from).num_seconds() as f64 / length * WIDTH).round() as i64;
    let mut path = String::new();
    let mut last: Option<(Timestamp, i64, i64)> = None;
    for (at, value) in points {
        let (x, y) = (across(at), down(value));
        // Writing to a String cannot fail.
        let _ = match last {
            Some((before, x0, y0)) if at - before <= line.gap_after => write!(path, "l{} {}", x - x0, y - y0),
            _ => write!(path, "M{x} {y}"),
        };
        last = Some((at, x, y));
    }
    let tone = match line.measure {
        Measure::Temperature => "warmth",
        Measure::MoldPressure => "third",
        Measure::Humidity | Measure::Vpd | Measure::Volume => "water",
    };
    let (least, most) = (line.band.0.unwrap_or(f64::NEG_INFINITY), line.band.1.unwrap_or(f64::INFINITY));
    let (top, end) = (down(most.min(bottom + span)), down(least.max(bottom)));
    let band = match line.band {
        (None, None) => String::new(),
        _ if end <= top => String::new(),
        _ => format!("<path d=\"M0 {top}h{WIDTH}v{}H0z\" fill=\"var(--limit)\" fill-opacity=\".14\"/>", end - top),
    };
    let (digits, unit) = (line.measure.digits(), line.measure.unit(line.units));
    Some(format!(
        "<svg class=\"day\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{} over the day: {:.digits$} to {:.digits$} {unit}\">{band}\
         <path d=\"{path}\" fill=\"none\" stroke=\"var(--{tone})\" stroke-width=\"2\" vector-effect=\"non-scaling-stroke\" stroke-linejoin=\"round\"/></svg>",
        line.measure.label(),
        shown(low),
        shown(high),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(points: &[(Timestamp, f64)]) -> Option<String> {
        let from = Timestamp::UNIX_EPOCH;
        day_line(&DayLine {
            measure: Measure::Humidity,
            points,
            gap_after: TimeDelta::hours(1),
            from,
            until: from + TimeDelta::hours(24),
            band: (Some(40.0), Some(60.0)),
            units: UnitSystem::Metric,
        })
    }

    fn at(hours: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::hours(hours)
    }

    #[test]
    fn a_line_has_a_gap_where_nothing_was_measured_and_says_its_range() {
        let text = line(&[(at(0), 50.0), (at(1), 55.0), (at(5), 70.0), (at(6), 66.0)]).expect("a line");
        assert_eq!(text.matches('M').count(), 3, "two stretches and the band: {text}");
        assert!(text.contains("aria-label=\"Humidity over the day: 50 to 70 %\""), "{text}");
        assert!(text.contains("fill-opacity"), "{text}");
    }

    #[test]
    fn fifty_of_them_fit_onto_a_page_and_nothing_is_drawn_of_nothing() {
        let points: Vec<_> =
            (0..48).map(|half| (at(0) + TimeDelta::minutes(half * 30), 50.0 + (half % 7) as f64)).collect();
        let text = line(&points).expect("a line");
        assert!(text.len() < 700, "{} bytes", text.len());
        assert_eq!(line(&[]), None);
        assert_eq!(line(&[(at(0), 50.0)]), None);
        assert_eq!(line(&[(at(0), f64::NAN), (at(1), f64::NAN)]), None);
    }
}
