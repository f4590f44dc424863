//! Lays a chart out on any canvas: one look for letters, pages and files.

use super::canvas::{Anchor, Canvas, Ink, Lettering, SHORT};
use super::look::{BAND, DARK, GRID, LIMIT, NIGHT, PAPER, SOFT, Setting, WARMTH, WATER};
use super::{Chart, Measure, Panel, Point, axis};
use crate::units::Timestamp;

/// Points between the panels, in heights of letters.
const BETWEEN: f32 = 2.7;

/// How high the chart will be.
pub(crate) fn height(chart: &Chart, setting: Setting) -> f32 {
    let letters = setting.letters;
    let panels = chart.panels.len() as f32;
    let marks = if chart.marks.is_empty() { 0.0 } else { letters * 1.4 };
    (letters * 2.2 + panels * (setting.field + letters * BETWEEN) + letters * 1.6 + marks).ceil()
}

/// Draws everything.
pub(crate) fn draw(chart: &Chart, setting: Setting, canvas: &mut dyn Canvas) {
    let letters = setting.letters;
    canvas.rect(0.0, 0.0, setting.width, height(chart, setting), PAPER);
    let title = Lettering { size: letters, ink: DARK, anchor: Anchor::Start, bold: true };
    canvas.text(&chart.title, 0.5 * letters, 1.4 * letters, title);
    let span = Lettering { ink: SOFT, anchor: Anchor::End, bold: false, ..title };
    canvas.text(&said_span(chart), setting.width - 0.5 * letters, 1.4 * letters, span);
    let most = (setting.width / (letters * 5.2)) as usize;
    let ticks = axis::times(chart.from, chart.until, chart.time_zone, most);
    let mut top = letters * 2.2;
    for panel in &chart.panels {
        let field = Field {
            chart,
            panel,
            letters,
            left: letters * 3.2,
            right: setting.width - letters * 0.9,
            top: top + letters * BETWEEN * 0.78,
            bottom: top + letters * BETWEEN * 0.78 + setting.field,
        };
        field.draw(canvas, &ticks);
        top += setting.field + letters * BETWEEN;
    }
    let label = Lettering { size: letters * 0.9, ink: SOFT, anchor: Anchor::Middle, bold: false };
    let base = top + letters * 0.75;
    let (left, right) = (letters * 3.2, setting.width - letters * 0.9);
    for (at, name) in &ticks {
        let x = left + (right - left) * share(chart, *at);
        // A label at the very edge would be cut in half.
        let half = name.chars().count() as f32 * letters * 0.28;
        canvas.text(name, x.clamp(half, setting.width - half), base, label);
    }
    if !chart.marks.is_empty() {
        draw_marks(chart, (left, right), base + letters * 1.5, canvas, label);
    }
}

/// Words of things that happened, left out where they would run into one another.
fn draw_marks(chart: &Chart, (left, right): (f32, f32), base: f32, canvas: &mut dyn Canvas, label: Lettering) {
    let mut free_from = f32::MIN;
    for (at, word) in chart.marks.iter().filter(|(at, _)| (chart.from..=chart.until).contains(at)) {
        let x = left + (right - left) * share(chart, *at);
        let half = word.chars().count() as f32 * label.size * 0.3;
        let middle = x.clamp(half, (right - half).max(half));
        if middle - half > free_from {
            canvas.text(word, middle, base, label);
            free_from = middle + half + label.size * 0.5;
        }
    }
}

/// Where an instant lies on the axis, 0 to 1.
fn share(chart: &Chart, at: Timestamp) -> f32 {
    let whole = (chart.until - chart.from).num_milliseconds().max(1) as f64;
    ((at - chart.from).num_milliseconds() as f64 / whole).clamp(0.0, 1.0) as f32
}

fn said_span(chart: &Chart) -> String {
    let local = |at: Timestamp| at.with_timezone(&chart.time_zone);
    let (from, until) = (local(chart.from), local(chart.until));
    let days = (chart.until - chart.from).num_days();
    let form = if days < 3 { "%a %-d %b %H:%M" } else { "%-d %b %Y" };
    if days < 3 {
        format!("to {}", until.format(form))
    } else {
        format!("{} – {}", from.format(form), until.format(form))
    }
}

/// One panel and where it stands.
struct Field<'a> {
    chart: &'a Chart,
    panel: &'a Panel,
    letters: f32,
    left: f32,
    right: f32,
    top: f32,
    bottom: f32,
}

/// What falls into one column of the picture.
#[derive(Clone, Copy)]
struct Column {
    x: f32,
    low: f64,
    high: f64,
    sum: f64,
    count: f64,
}

/// Nothing larger is kept (see [`crate::reading::RawReading::new`]), and a scale for it
/// would run out of digits. Also keeps what is not a number off the paper.
const LARGEST_DRAWN: f64 = 1e6;

impl Column {
    fn mean(&self) -> f64 {
        self.sum / self.count
    }
}

impl Field<'_> {
    fn draw(&self, canvas: &mut dyn Canvas, ticks: &[(Timestamp, String)]) {
        let runs = self.runs();
        let scale = self.scale(&runs);
        let (bottom_value, top_value) = (scale[0], scale[scale.len() - 1]);
        let y = |value: f64| {
            let share = ((value - bottom_value) / (top_value - bottom_value)).clamp(0.0, 1.0) as f32;
            self.bottom - share * (self.bottom - self.top)
        };
        for (from, until) in &self.chart.nights {
            let (from, until) = (self.x(*from), self.x(*until));
            canvas.rect(from, self.top, until - from, self.bottom - self.top, NIGHT);
        }
        self.draw_grid(canvas, ticks, &scale, &y);
        self.draw_band(canvas, &y);
        for (at, _) in self.chart.marks.iter().filter(|(at, _)| (self.chart.from..=self.chart.until).contains(at)) {
            let x = self.x(*at);
            canvas.polyline(&[(x, self.top), (x, self.bottom)], 1.0, SOFT, SHORT);
        }
        for run in &runs {
            self.draw_run(canvas, run, &y);
        }
        self.draw_head(canvas, &runs);
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
            canvas.polyline(&[(x, self.bottom), (x, self.bottom + self.letters * 0.3)], 0.8, SOFT, &[]);
        }
    }

    fn draw_band(&self, canvas: &mut dyn Canvas, y: &dyn Fn(f64) -> f32) {
        let (low, high) = self.band();
        if low.is_none() && high.is_none() {
            return;
        }
        let (top, bottom) = (high.map_or(self.top, y), low.map_or(self.bottom, y));
        canvas.rect(self.left, top, self.right - self.left, bottom - top, BAND);
        for limit in [low, high].into_iter().flatten() {
            let at = y(limit);
            canvas.polyline(&[(self.left, at), (self.right, at)], 1.2, LIMIT, SHORT);
        }
    }

    fn draw_run(&self, canvas: &mut dyn Canvas, run: &[Column], y: &dyn Fn(f64) -> f32) {
        let ink = match self.panel.measure {
            Measure::Temperature | Measure::Vpd => WARMTH,
            Measure::Humidity | Measure::Volume => WATER,
        };
        let mut outline: Vec<(f32, f32)> = run.iter().map(|column| (column.x, y(column.high))).collect();
        outline.extend(run.iter().rev().map(|column| (column.x, y(column.low))));
        canvas.area(&outline, Ink { opacity: 0.3, ..ink });
        // A spike of one reading is a column of no width: the area alone would hide it.
        for column in run.iter().filter(|column| y(column.low) - y(column.high) > 2.0) {
            canvas.polyline(
                &[(column.x, y(column.high)), (column.x, y(column.low))],
                0.6,
                Ink { opacity: 0.5, ..ink },
                &[],
            );
        }
        let line: Vec<(f32, f32)> = run.iter().map(|column| (column.x, y(column.mean()))).collect();
        match line.as_slice() {
            [(x, y)] => canvas.rect(x - 1.0, y - 1.0, 2.0, 2.0, ink),
            line => canvas.polyline(line, 1.5, ink, &[]),
        }
        self.draw_outside(canvas, run, y, ink);
    }

    /// Outside the band the line is thick: a sign that needs no colour.
    fn draw_outside(&self, canvas: &mut dyn Canvas, run: &[Column], y: &dyn Fn(f64) -> f32, ink: Ink) {
        let (low, high) = self.band();
        let outside = |column: &Column| {
            low.is_some_and(|low| column.mean() < low) || high.is_some_and(|high| column.mean() > high)
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

    fn draw_head(&self, canvas: &mut dyn Canvas, runs: &[Vec<Column>]) {
        let measure = self.panel.measure;
        let unit = measure.unit(self.chart.units);
        let base = self.top - self.letters * 0.95;
        let name = Lettering { size: self.letters * 0.95, ink: DARK, anchor: Anchor::Start, bold: true };
        canvas.text(&format!("{}, {unit}", measure.label()), self.letters * 0.5, base, name);
        let digits = measure.digits();
        let columns = || runs.iter().flatten();
        let range = match (
            columns().map(|column| column.low).min_by(f64::total_cmp),
            columns().map(|column| column.high).max_by(f64::total_cmp),
        ) {
            (Some(low), Some(high)) => format!("{low:.digits$} to {high:.digits$}"),
            _ => "not measured".to_owned(),
        };
        canvas.text(&range, self.right, base, Lettering { ink: SOFT, anchor: Anchor::End, bold: false, ..name });
    }

    fn x(&self, at: Timestamp) -> f32 {
        self.left + (self.right - self.left) * share(self.chart, at)
    }

    fn band(&self) -> (Option<f64>, Option<f64>) {
        let shown = |value: f64| self.panel.measure.shown(value, self.chart.units);
        (self.panel.band.0.map(shown), self.panel.band.1.map(shown))
    }

    /// Points by column, broken where the data has a gap.
    fn runs(&self) -> Vec<Vec<Column>> {
        let shown = |value: f64| self.panel.measure.shown(value, self.chart.units);
        let known = |point: &&Point| {
            [point.low, point.mean, point.high].iter().all(|value| value.abs() <= LARGEST_DRAWN)
                && (self.chart.from..=self.chart.until).contains(&point.at)
        };
        let mut runs: Vec<Vec<Column>> = Vec::new();
        let mut last: Option<Timestamp> = None;
        for point in self.panel.points.iter().filter(known) {
            let x = (self.x(point.at) * 2.0).round() / 2.0;
            let (low, mean, high) = (shown(point.low), shown(point.mean), shown(point.high));
            let broken = last.is_none_or(|last| point.at - last > self.panel.gap_after);
            last = Some(point.at);
            if broken {
                runs.push(Vec::new());
            }
            let Some(run) = runs.last_mut() else { continue };
            match run.last_mut().filter(|column| column.x == x) {
                Some(column) => {
                    column.low = column.low.min(low);
                    column.high = column.high.max(high);
                    column.sum += mean;
                    column.count += 1.0;
                }
                None => run.push(Column { x, low, high, sum: mean, count: 1.0 }),
            }
        }
        runs
    }

    /// The values of the grid lines; at least two, holding data and band.
    fn scale(&self, runs: &[Vec<Column>]) -> Vec<f64> {
        let (low_limit, high_limit) = self.band();
        let lows = runs.iter().flatten().map(|column| column.low).chain(low_limit).chain(high_limit);
        let highs = runs.iter().flatten().map(|column| column.high).chain(low_limit).chain(high_limit);
        let low = lows.min_by(f64::total_cmp).unwrap_or(0.0);
        let high = highs.max_by(f64::total_cmp).unwrap_or(1.0);
        let missing = (self.panel.measure.least_span(self.chart.units) - (high - low)).max(0.0);
        let floor = if self.panel.measure == Measure::Temperature { f64::MIN } else { low.min(0.0) };
        let bottom = (low - missing / 2.0).max(floor);
        let wanted = if self.bottom - self.top > 120.0 { 4 } else { 3 };
        let mut scale = axis::values(bottom, high + missing / 2.0, wanted);
        if self.panel.measure == Measure::Humidity {
            // Never fewer than two: a scale has a bottom and a top.
            while scale.len() > 2 && scale.last().is_some_and(|top| *top > 100.0 && *top >= high) {
                scale.pop();
            }
        }
        scale
    }
}
