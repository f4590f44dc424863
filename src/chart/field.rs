//! One panel of a chart: scale, band, sisters behind, lines with their names, and the
//! hatching where nothing was measured.

use super::axis;
use super::canvas::{Anchor, Canvas, Dashes, Ink, Lettering, SHORT};
use super::content::{BandSpan, Chart, Line, Measure, Panel, Point};
use super::lettering::{fitted, width};
use super::look::{BAND, DARK, FOURTH, GAP, GRID, LIMIT, NIGHT, PEERS, SOFT, STAGE, THIRD, WARMTH, WATER};
use super::time_axis::TimeAxis;
use crate::units::Timestamp;

/// One panel and where it stands.
pub(crate) struct PlacedPanel<'a> {
    pub(crate) time: TimeAxis,
    /// The width of the whole picture, points.
    pub(crate) width: f32,
    pub(crate) chart: &'a Chart,
    pub(crate) panel: &'a Panel,
    pub(crate) letters: f32,
    pub(crate) left: f32,
    pub(crate) right: f32,
    pub(crate) top: f32,
    pub(crate) bottom: f32,
}

/// What falls into one column of the picture.
#[derive(Clone, Copy)]
struct PixelColumn {
    x: f32,
    at: Timestamp,
    low: f64,
    high: f64,
    sum: f64,
    count: f64,
}

/// Columns without a gap between them.
type Run = Vec<PixelColumn>;

/// Nothing larger is kept (see [`crate::reading::RawReading::new`]), and a scale for it
/// would run out of digits. Also keeps what is not a number off the paper.
const LARGEST_DRAWN: f64 = 1e6;
/// How lines are broken, the first not at all.
const DASHES: [Dashes; 4] = [&[], &[7.0, 3.0], &[2.0, 2.5], &[9.0, 3.0, 2.0, 3.0]];
/// The dashes of the sisters' median.
const MEDIAN: Dashes = &[5.0, 2.5];
/// Points between the strokes of a hatching.
const HATCH: f32 = 6.0;

impl PixelColumn {
    fn mean(&self) -> f64 {
        self.sum / self.count
    }
}

impl PlacedPanel<'_> {
    pub(crate) fn draw(&self, canvas: &mut dyn Canvas, ticks: &[(Timestamp, String)]) {
        let lines: Vec<Vec<Run>> = self.panel.lines.iter().map(|line| self.runs(line)).collect();
        let peers = self.panel.peers.as_ref().map(|line| self.runs(line)).unwrap_or_default();
        let scale = self.scale(&lines, &peers);
        let (bottom_value, top_value) = (scale[0], scale[scale.len() - 1]);
        let y = |value: f64| {
            let share = ((value - bottom_value) / (top_value - bottom_value)).clamp(0.0, 1.0) as f32;
            self.bottom - share * (self.bottom - self.top)
        };
        self.draw_times_behind(canvas);
        self.draw_grid(canvas, ticks, &scale, &y);
        for band in &self.panel.bands {
            self.draw_band(canvas, band, &y);
        }
        for run in &peers {
            self.draw_peers(canvas, run, &y);
        }
        if let Some(first) = lines.first() {
            self.draw_gaps(canvas, first);
        }
        for (index, runs) in lines.iter().enumerate().rev() {
            for run in runs {
                self.draw_run(canvas, run, index, &y);
            }
        }
        self.draw_names(canvas, &lines, &peers, &y);
        self.draw_head(canvas, lines.first().map_or(&[], Vec::as_slice));
    }

    /// Nights, and every second stage, behind everything.
    fn draw_times_behind(&self, canvas: &mut dyn Canvas) {
        let height = self.bottom - self.top;
        for (from, until) in &self.chart.nights {
            let (from, until) = (self.x(*from), self.x(*until));
            canvas.rect(from, self.top, until - from, height, NIGHT);
        }
        for (index, stage) in self.chart.stages.iter().enumerate() {
            let (from, until) = (self.x(stage.from), self.x(stage.until));
            // Two shadings on one another tell nothing.
            if index % 2 == 1 && self.chart.nights.is_empty() {
                canvas.rect(from, self.top, until - from, height, Ink { opacity: STAGE.opacity * 0.5, ..STAGE });
            }
            if index > 0 {
                canvas.polyline(&[(from, self.top), (from, self.bottom)], 0.8, SOFT, &[]);
            }
        }
    }

    fn draw_grid(&self, canvas: &mut dyn Canvas, ticks: &[(Timestamp, String)], scale: &[f64], y: &dyn Fn(f64) -> f32) {
        let label = Lettering { size: self.letters * 0.9, ink: SOFT, anchor: Anchor::End, bold: false };
        let digits = axis::digits(scale);
        for value in scale {
            let at = y(*value);
            canvas.polyline(&[(self.left, at), (self.right, at)], 0.8, GRID, &[]);
            canvas.text(&format!("{value:.digits$}"), self.left - self.letters * 0.4, at + self.letters * 0.32, label);
        }
        for (at, _) in ticks {
            let x = self.x(*at);
            canvas.polyline(&[(x, self.bottom), (x, self.bottom + self.letters * 0.25)], 0.8, SOFT, &[]);
        }
    }

    fn draw_band(&self, canvas: &mut dyn Canvas, band: &BandSpan, y: &dyn Fn(f64) -> f32) {
        let (low, high) = (band.low.map(|low| self.shown(low)), band.high.map(|high| self.shown(high)));
        let (left, right) = (self.x(band.from), self.x(band.until));
        if right <= left || (low.is_none() && high.is_none()) {
            return;
        }
        let (top, bottom) = (high.map_or(self.top, y), low.map_or(self.bottom, y));
        canvas.rect(left, top, right - left, bottom - top, BAND);
        for limit in [low, high].into_iter().flatten() {
            let at = y(limit);
            canvas.polyline(&[(left, at), (right, at)], 1.2, LIMIT, SHORT);
        }
    }

    fn draw_peers(&self, canvas: &mut dyn Canvas, run: &[PixelColumn], y: &dyn Fn(f64) -> f32) {
        canvas.area(&outline(run, y), Ink { opacity: 0.2, ..PEERS });
        canvas.polyline(&means(run, y), 1.4, PEERS, MEDIAN);
    }

    /// Hatched where the panel's first line has no data.
    fn draw_gaps(&self, canvas: &mut dyn Canvas, runs: &[Run]) {
        let mut begin = (self.left, self.chart.from);
        let gap_after = self.panel.lines.first().map(|line| line.gap_after).unwrap_or_default();
        let ends = runs.iter().filter_map(|run| Some((run.first()?, run.last()?)));
        for (first, last) in ends {
            if first.at - begin.1 > gap_after {
                self.hatch(canvas, begin.0, first.x);
            }
            begin = (last.x, last.at);
        }
        if self.chart.until - begin.1 > gap_after {
            self.hatch(canvas, begin.0, self.right);
        }
    }

    fn hatch(&self, canvas: &mut dyn Canvas, left: f32, right: f32) {
        let height = self.bottom - self.top;
        // Strokes begin at round places of the panel, so that neighbouring gaps agree.
        let mut begin = self.left + ((left - self.left - height) / HATCH).floor() * HATCH;
        while begin < right {
            let from = begin.max(left);
            let until = (begin + height).min(right);
            if from < until {
                let ends = [(from, self.bottom - (from - begin)), (until, self.bottom - (until - begin))];
                canvas.polyline(&ends, 0.7, GAP, &[]);
            }
            begin += HATCH;
        }
    }

    fn ink(&self, index: usize) -> Ink {
        let own = match self.panel.measure {
            Measure::Temperature | Measure::Vpd | Measure::MoldPressure => WARMTH,
            Measure::Humidity | Measure::Volume => WATER,
        };
        [own, PEERS, THIRD, FOURTH][index.min(3)]
    }

    fn draw_run(&self, canvas: &mut dyn Canvas, run: &[PixelColumn], index: usize, y: &dyn Fn(f64) -> f32) {
        let ink = self.ink(index);
        canvas.area(&outline(run, y), Ink { opacity: if index == 0 { 0.3 } else { 0.15 }, ..ink });
        // A spike of one reading is a column of no width: the area alone would hide it.
        for column in run.iter().filter(|column| y(column.low) - y(column.high) > 2.0) {
            let spike = [(column.x, y(column.high)), (column.x, y(column.low))];
            canvas.polyline(&spike, 0.6, Ink { opacity: 0.5, ..ink }, &[]);
        }
        match means(run, y).as_slice() {
            [(x, y)] => canvas.rect(x - 1.0, y - 1.0, 2.0, 2.0, ink),
            line => canvas.polyline(line, 1.5, ink, DASHES[index.min(3)]),
        }
        if index == 0 {
            self.draw_outside(canvas, run, y, ink);
        }
    }

    /// Outside the band the line is thick: a sign that needs no colour.
    fn draw_outside(&self, canvas: &mut dyn Canvas, run: &[PixelColumn], y: &dyn Fn(f64) -> f32, ink: Ink) {
        let outside = |column: &PixelColumn| {
            self.panel.bands.iter().filter(|band| (band.from..band.until).contains(&column.at)).any(|band| {
                band.low.is_some_and(|low| column.mean() < self.shown(low))
                    || band.high.is_some_and(|high| column.mean() > self.shown(high))
            })
        };
        let mut thick: Vec<(f32, f32)> = Vec::new();
        for column in run.iter().map(Some).chain([None]) {
            match column.filter(|column| outside(column)) {
                Some(column) => thick.push((column.x, y(column.mean()))),
                None => {
                    if thick.len() > 1 {
                        canvas.polyline(&thick, 3.4, ink, &[]);
                    }
                    thick.clear();
                }
            }
        }
    }

    /// The name of each line at its end, where there is more than one; moved apart.
    fn draw_names(&self, canvas: &mut dyn Canvas, lines: &[Vec<Run>], peers: &[Run], y: &dyn Fn(f64) -> f32) {
        if lines.len() < 2 && self.panel.peers.is_none() {
            return;
        }
        let size = self.letters * 0.85;
        let step = size * 1.15;
        let end = |runs: &[Run]| runs.last().and_then(|run| run.last()).map(|column| y(column.mean()));
        let mut names: Vec<(f32, &str, Ink)> = Vec::new();
        for (index, (line, runs)) in self.panel.lines.iter().zip(lines).enumerate() {
            names.extend(end(runs).map(|y| (y, line.name.as_str(), self.ink(index))));
        }
        if let Some(line) = &self.panel.peers {
            names.extend(end(peers).map(|y| (y, line.name.as_str(), PEERS)));
        }
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free_from = self.top + size * 0.5;
        let count = names.len();
        for (index, (at, name, ink)) in names.into_iter().enumerate() {
            let lowest = self.bottom - step * (count - 1 - index) as f32;
            let at = at.min(lowest).max(free_from);
            free_from = at + step;
            let begin = self.right + self.letters * 0.3;
            let name = fitted(name, size, false, self.width - begin - self.letters * 0.2);
            canvas.text(&name, begin, at + size * 0.35, Lettering { size, ink, anchor: Anchor::Start, bold: false });
        }
    }

    fn draw_head(&self, canvas: &mut dyn Canvas, runs: &[Run]) {
        let measure = self.panel.measure;
        let base = self.top - self.letters * 0.7;
        let name = Lettering { size: self.letters * 0.95, ink: DARK, anchor: Anchor::Start, bold: true };
        let head = format!("{}, {}", measure.label(), measure.unit(self.chart.units));
        canvas.text(&head, self.letters * 0.5, base, name);
        let digits = measure.digits();
        let columns = || runs.iter().flatten();
        let range = match (
            columns().map(|column| column.low).min_by(f64::total_cmp),
            columns().map(|column| column.high).max_by(f64::total_cmp),
        ) {
            (Some(low), Some(high)) => format!("{:.digits$} to {:.digits$}", low + 0.0, high + 0.0),
            _ => "not measured".to_owned(),
        };
        let named = self.panel.lines.first().filter(|_| self.panel.lines.len() > 1);
        let formatted = named.map_or(range.clone(), |line| format!("{}: {range}", line.name));
        let end = self.width - self.letters * 0.9;
        let room = end - self.letters * 1.5 - width(&head, name.size, true);
        let formatted = if width(&formatted, name.size, false) <= room { formatted } else { range };
        canvas.text(&formatted, end, base, Lettering { ink: SOFT, anchor: Anchor::End, bold: false, ..name });
    }

    fn x(&self, at: Timestamp) -> f32 {
        self.time.x(at)
    }

    fn shown(&self, value: f64) -> f64 {
        self.panel.measure.shown(value, self.chart.units)
    }

    /// Points by column, broken where the data has a gap.
    fn runs(&self, line: &Line) -> Vec<Run> {
        let known = |point: &&Point| {
            [point.low, point.mean, point.high].iter().all(|value| value.abs() <= LARGEST_DRAWN)
                && (self.chart.from..=self.chart.until).contains(&point.at)
        };
        let mut runs: Vec<Run> = Vec::new();
        let mut last: Option<Timestamp> = None;
        for point in line.points.iter().filter(known) {
            let x = (self.x(point.at) * 2.0).round() / 2.0;
            let (low, mean, high) = (self.shown(point.low), self.shown(point.mean), self.shown(point.high));
            let broken = last.is_none_or(|last| point.at - last > line.gap_after);
            last = Some(point.at);
            if broken {
                runs.push(Vec::new());
            }
            let Some(run) = runs.last_mut() else { continue };
            match run.last_mut().filter(|column| column.x == x) {
                Some(column) => {
                    column.at = point.at;
                    column.low = column.low.min(low);
                    column.high = column.high.max(high);
                    column.sum += mean;
                    column.count += 1.0;
                }
                None => run.push(PixelColumn { x, at: point.at, low, high, sum: mean, count: 1.0 }),
            }
        }
        runs
    }

    /// The values of the grid lines; at least two, holding data, sisters and bands.
    fn scale(&self, lines: &[Vec<Run>], peers: &[Run]) -> Vec<f64> {
        let seen = |band: &&BandSpan| band.until > self.chart.from && band.from < self.chart.until;
        let limits: Vec<f64> = self
            .panel
            .bands
            .iter()
            .filter(seen)
            .flat_map(|band| [band.low, band.high])
            .flatten()
            .map(|limit| self.shown(limit))
            .collect();
        let columns = || lines.iter().flatten().chain(peers).flatten();
        let lows = columns().map(|column| column.low).chain(limits.iter().copied());
        let highs = columns().map(|column| column.high).chain(limits.iter().copied());
        let low = lows.min_by(f64::total_cmp).unwrap_or(0.0);
        let high = highs.max_by(f64::total_cmp).unwrap_or(1.0);
        let missing = (self.panel.measure.least_span(self.chart.units) - (high - low)).max(0.0);
        let floor = match self.panel.measure {
            Measure::Temperature => f64::MIN,
            Measure::MoldPressure => 0.0,
            _ => low.min(0.0),
        };
        let bottom = (low - missing / 2.0).max(floor);
        let wanted = if self.bottom - self.top > 120.0 { 4 } else { 3 };
        let mut scale = axis::values(bottom, high + missing / 2.0, wanted);
        if matches!(self.panel.measure, Measure::Humidity | Measure::MoldPressure) {
            // Never fewer than two: a scale has a bottom and a top.
            while scale.len() > 2 && scale.last().is_some_and(|top| *top > 100.0 && *top >= high) {
                scale.pop();
            }
        }
        scale
    }
}

fn outline(run: &[PixelColumn], y: &dyn Fn(f64) -> f32) -> Vec<(f32, f32)> {
    let highs = run.iter().map(|column| (column.x, y(column.high)));
    highs.chain(run.iter().rev().map(|column| (column.x, y(column.low)))).collect()
}

fn means(run: &[PixelColumn], y: &dyn Fn(f64) -> f32) -> Vec<(f32, f32)> {
    run.iter().map(|column| (column.x, y(column.mean()))).collect()
}
