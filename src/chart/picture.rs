//! Lays a chart out on any canvas, from top to bottom: title, stages, panels, times,
//! lanes, key. One look for letters, pages and files.

use super::canvas::{Anchor, Canvas, Lettering};
use super::content::{Chart, Panel};
use super::field::PlacedPanel;
use super::lettering::{fitted, width, wrapped};
use super::look::{DARK, Format, PAPER, SOFT};
use super::time_axis::TimeAxis;
use super::{axis, key, lanes};
use crate::units::Timestamp;

/// Points for the head of a panel, in heights of letters.
const HEAD: f32 = 2.0;
/// Points below a panel's field.
const FOOT: f32 = 0.7;
/// Points for the labels of the time axis.
const TIMES: f32 = 1.3;

/// Where everything stands.
pub(crate) struct Layout<'a> {
    chart: &'a Chart,
    /// How it is set.
    pub(crate) setting: Format,
    title: Vec<String>,
    span: String,
    span_below: bool,
    pub(super) time: TimeAxis,
    /// How high it is.
    pub(crate) height: f32,
}

impl<'a> Layout<'a> {
    pub(crate) fn of(chart: &'a Chart, setting: Format) -> Self {
        let letters = setting.letters;
        let room = setting.width - letters;
        let span = formatted_span(chart);
        let title = wrapped(&chart.title, letters, true, room);
        let taken = title.last().map_or(0.0, |line| width(line, letters, true));
        let span_below = !title.is_empty() && taken + letters + width(&span, letters, false) > room;
        let mut picture =
            Layout { chart, setting, title, span, span_below, time: TimeAxis::of(chart, 0.0, 0.0), height: 0.0 };
        picture.time = TimeAxis::of(chart, picture.left(), setting.width - letters * 0.9 - picture.names());
        let panels = chart.panels.len() as f32 * (setting.field + letters * (HEAD + FOOT));
        let below = letters * (TIMES + 0.5) + lanes::height(chart, setting) + key::height(chart, setting);
        picture.height = (picture.top() + panels + below).ceil();
        picture
    }

    pub(crate) fn draw(&self, canvas: &mut dyn Canvas) {
        let (chart, letters) = (self.chart, self.setting.letters);
        canvas.rect(0.0, 0.0, self.setting.width, self.height, PAPER);
        self.draw_title(canvas);
        let mut top = self.top();
        let most = ((self.time.right - self.time.left) / (letters * 3.4)) as usize;
        let ticks = axis::times(chart.from, chart.until, chart.time_zone, most.max(1));
        if !chart.stages.is_empty() {
            lanes::draw_stages(chart, self.setting, &self.time, top, canvas);
        }
        for panel in &chart.panels {
            let field = PlacedPanel {
                time: self.time,
                width: self.setting.width,
                chart,
                panel,
                letters,
                left: self.time.left,
                right: self.time.right,
                top: top + letters * HEAD,
                bottom: top + letters * HEAD + self.setting.field,
            };
            field.draw(canvas, &ticks);
            top += self.setting.field + letters * (HEAD + FOOT);
        }
        self.draw_times(canvas, &ticks, top + letters * 0.55);
        lanes::draw(chart, self.setting, &self.time, top + letters * TIMES, canvas);
        key::draw(chart, self.setting, top + letters * TIMES + lanes::height(chart, self.setting), canvas);
    }

    fn left(&self) -> f32 {
        let letters = self.setting.letters;
        (letters * 3.0).max(lanes::names_wide(self.chart, self.setting) + letters)
    }

    /// Room for the names of lines at their ends.
    fn names(&self) -> f32 {
        let letters = self.setting.letters;
        let told_apart = |panel: &&Panel| panel.lines.len() > 1 || panel.peers.is_some();
        let names =
            self.chart.panels.iter().filter(told_apart).flat_map(|panel| panel.lines.iter().chain(&panel.peers));
        let widest = names.map(|line| width(&line.name, letters * 0.85, false)).fold(0.0, f32::max);
        if widest > 0.0 { widest.min(self.setting.width * 0.2) + letters * 0.3 } else { 0.0 }
    }

    /// Where the stages or the first panel begin.
    fn top(&self) -> f32 {
        let letters = self.setting.letters;
        let lines = self.title.len().max(1) + usize::from(self.span_below);
        letters * (0.5 + 1.35 * lines as f32) + lanes::stages_height(self.chart, self.setting, &self.time)
    }

    fn draw_title(&self, canvas: &mut dyn Canvas) {
        let letters = self.setting.letters;
        let base = |line: usize| letters * (1.3 + 1.35 * line as f32);
        let title = Lettering { size: letters, ink: DARK, anchor: Anchor::Start, bold: true };
        for (line, text) in self.title.iter().enumerate() {
            canvas.text(text, 0.5 * letters, base(line), title);
        }
        let soft = Lettering { ink: SOFT, bold: false, ..title };
        if self.span_below {
            let span = fitted(&self.span, letters, false, self.setting.width - letters);
            canvas.text(&span, 0.5 * letters, base(self.title.len()), soft);
        } else {
            let line = self.title.len().max(1) - 1;
            canvas.text(
                &self.span,
                self.setting.width - 0.5 * letters,
                base(line),
                Lettering { anchor: Anchor::End, ..soft },
            );
        }
    }

    /// Labels of the time axis; one that would run into the one before is left out.
    fn draw_times(&self, canvas: &mut dyn Canvas, ticks: &[(Timestamp, String)], base: f32) {
        let size = self.setting.letters * 0.9;
        let label = Lettering { size, ink: SOFT, anchor: Anchor::Middle, bold: false };
        let mut free_from = 0.0;
        for (at, name) in ticks {
            // A label at the very edge would be cut in half.
            let half = width(name, size, false) / 2.0 + size * 0.2;
            let x = self.time.x(*at).clamp(half, self.setting.width - half);
            if x - half >= free_from {
                canvas.text(name, x, base, label);
                free_from = x + half + size * 0.4;
            }
        }
    }
}

fn formatted_span(chart: &Chart) -> String {
    let local = |at: Timestamp| at.with_timezone(&chart.time_zone);
    let (from, until) = (local(chart.from), local(chart.until));
    let days = (chart.until - chart.from).num_days();
    if days < 3 {
        format!("{} – {}", from.format("%a %-d %b %H:%M"), until.format("%a %-d %H:%M"))
    } else if from.format("%Y").to_string() == until.format("%Y").to_string() {
        format!("{} – {}", from.format("%-d %b"), until.format("%-d %b %Y"))
    } else {
        format!("{} – {}", from.format("%-d %b %Y"), until.format("%-d %b %Y"))
    }
}
