//! One thing against another, a point a lot: groups differ in shape as well as in colour,
//! n stands in the picture, and no line is drawn through the points, for going together
//! is no cause.

use super::canvas::{Anchor, Canvas, Ink, Lettering};
use super::lettering::{fitted, width, wrapped};
use super::look::{DARK, FOURTH, Format, GRID, PAGE, PAPER, PHONE, PIXELS_PER_POINT, SOFT, THIRD, WARMTH, WATER};
use super::svg::{Colours, SvgCanvas};
use super::{ChartError, axis, png::PngCanvas};

/// A scatter plot.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Scatter {
    /// What it is of.
    pub(crate) title: String,
    /// What lies along the bottom, with its unit: "hours damper than 75 %, in light".
    pub(crate) x_label: String,
    /// What stands up the side, with its unit: "grams a tray".
    pub(crate) y_label: String,
    /// One each; values that are not finite are left out and not counted.
    pub points: Vec<ScatterPoint>,
    /// Names of the groups. With fewer than two no key is drawn. A fifth group and those
    /// after it share the last shape.
    pub groups: Vec<String>,
    /// A sentence below the picture, such as what the correlation is and that it is no cause.
    pub note: String,
}

/// One lot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ScatterPoint {
    /// Along the bottom.
    pub x: f64,
    /// Up the side.
    pub y: f64,
    /// Which of the groups, counted from 0.
    pub group: usize,
}

/// A scatter plot as SVG text, as wide as a page.
///
/// # Errors
/// When no point can be drawn.
pub(crate) fn scatter_svg(scatter: &Scatter) -> Result<String, ChartError> {
    svg(scatter, PAGE, Colours::Fixed)
}

/// A scatter plot as PNG, as wide as a phone: for letters.
///
/// # Errors
/// When no point can be drawn, or the picture cannot be packed.
pub(crate) fn scatter_png(scatter: &Scatter) -> Result<Vec<u8>, ChartError> {
    let plot = Plot::of(scatter, PHONE)?;
    let mut canvas = PngCanvas::new(PHONE.width, plot.height, PIXELS_PER_POINT)?;
    plot.draw(&mut canvas);
    canvas.finish()
}

fn svg(scatter: &Scatter, setting: Format, colours: Colours) -> Result<String, ChartError> {
    let plot = Plot::of(scatter, setting)?;
    let mut canvas = SvgCanvas::new(setting.width, plot.height, &scatter.title, colours);
    plot.draw(&mut canvas);
    Ok(canvas.finish())
}

/// Values beyond this have left every scale.
const LARGEST_DRAWN: f64 = 1e9;
/// Shapes by group, each with its ink.
const SHAPES: [(PointShape, Ink); 4] = [
    (PointShape::Disc, WATER),
    (PointShape::Triangle, WARMTH),
    (PointShape::Square, THIRD),
    (PointShape::Cross, FOURTH),
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum PointShape {
    Disc,
    Triangle,
    Square,
    Cross,
}

/// Everything with its place.
struct Plot<'a> {
    scatter: &'a Scatter,
    setting: Format,
    points: Vec<ScatterPoint>,
    title: Vec<String>,
    key: Vec<(f32, f32, usize, String)>,
    note: Vec<String>,
    x_scale: Vec<f64>,
    y_scale: Vec<f64>,
    /// Left, right, top and bottom of the field.
    field: [f32; 4],
    height: f32,
}

impl<'a> Plot<'a> {
    fn of(scatter: &'a Scatter, setting: Format) -> Result<Self, ChartError> {
        let drawn = |point: &&ScatterPoint| point.x.abs() <= LARGEST_DRAWN && point.y.abs() <= LARGEST_DRAWN;
        let points: Vec<ScatterPoint> = scatter.points.iter().filter(drawn).copied().collect();
        if points.is_empty() {
            return Err(ChartError::NoPoints);
        }
        let letters = setting.letters;
        let room = setting.width - letters;
        let title = wrapped(&scatter.title, letters, true, room);
        let note = wrapped(&scatter.note, letters * 0.9, false, room);
        let mut top = letters * 1.4 * title.len() as f32 + letters * 0.4;
        let key = key(scatter, setting, &mut top);
        top += letters * 1.7;
        let x_scale = scale(points.iter().map(|point| point.x), (setting.width / letters / 9.0) as usize);
        let y_scale = scale(points.iter().map(|point| point.y), 4);
        let label = |scale: &[f64], value: f64| width(&formatted(scale, value), letters * 0.9, false);
        let left = letters + y_scale.iter().map(|value| label(&y_scale, *value)).fold(0.0, f32::max);
        let last = x_scale.last().map_or(0.0, |value| label(&x_scale, *value));
        let right = setting.width - letters * 0.6 - last / 2.0;
        let bottom = top + setting.field * 1.6;
        let height = bottom + letters * (3.1 + 1.25 * note.len() as f32 + 0.4);
        let field = [left, right, top, bottom];
        Ok(Plot { scatter, setting, points, title, key, note, x_scale, y_scale, field, height })
    }

    fn draw(&self, canvas: &mut dyn Canvas) {
        let letters = self.setting.letters;
        let [left, right, top, bottom] = self.field;
        canvas.rect(0.0, 0.0, self.setting.width, self.height, PAPER);
        let bold = Lettering { size: letters, ink: DARK, anchor: Anchor::Start, bold: true };
        let small = Lettering { size: letters * 0.9, ink: SOFT, anchor: Anchor::Start, bold: false };
        let edge = letters * 0.5;
        for (line, text) in self.title.iter().enumerate() {
            canvas.text(text, edge, letters * (1.3 + 1.4 * line as f32), bold);
        }
        for (x, y, group, name) in &self.key {
            mark(canvas, (*x + letters * 0.4, *y - letters * 0.33), letters * 0.36, *group);
            canvas.text(name, x + letters, *y, small);
        }
        let n = format!("n = {}", self.points.len());
        let n_wide = width(&n, letters, true);
        let up = fitted(&self.scatter.y_label, small.size, false, right - edge - n_wide - letters);
        canvas.text(&up, edge, top - letters * 0.7, Lettering { ink: DARK, ..small });
        canvas.text(&n, right, top - letters * 0.7, Lettering { anchor: Anchor::End, ..bold });
        for value in &self.y_scale {
            let y = self.y(*value);
            canvas.polyline(&[(left, y), (right, y)], 0.8, GRID, &[]);
            let end = Lettering { anchor: Anchor::End, ..small };
            canvas.text(&formatted(&self.y_scale, *value), left - letters * 0.35, y + letters * 0.32, end);
        }
        for value in &self.x_scale {
            let x = self.x(*value);
            canvas.polyline(&[(x, top), (x, bottom)], 0.8, GRID, &[]);
            let middle = Lettering { anchor: Anchor::Middle, ..small };
            canvas.text(&formatted(&self.x_scale, *value), x, bottom + letters * 1.15, middle);
        }
        for point in &self.points {
            mark(canvas, (self.x(point.x), self.y(point.y)), letters * 0.36, point.group);
        }
        let along = fitted(&self.scatter.x_label, small.size, false, self.setting.width - letters);
        let wide = width(&along, small.size, false);
        let begin = ((left + right - wide) / 2.0).clamp(edge, (self.setting.width - edge - wide).max(edge));
        canvas.text(&along, begin, bottom + letters * 2.4, Lettering { ink: DARK, ..small });
        for (line, text) in self.note.iter().enumerate() {
            canvas.text(text, edge, bottom + letters * (3.8 + 1.25 * line as f32), small);
        }
    }

    fn x(&self, value: f64) -> f32 {
        let [left, right, ..] = self.field;
        left + (right - left) * share(&self.x_scale, value)
    }

    fn y(&self, value: f64) -> f32 {
        let [_, _, top, bottom] = self.field;
        bottom - (bottom - top) * share(&self.y_scale, value)
    }
}

/// Names of the groups, each with the place of its line; `top` moves below them.
fn key(scatter: &Scatter, setting: Format, top: &mut f32) -> Vec<(f32, f32, usize, String)> {
    let letters = setting.letters;
    let (edge, mut x) = (letters * 0.5, letters * 0.5);
    let mut placed = Vec::new();
    if scatter.groups.len() < 2 {
        return placed;
    }
    *top += letters * 1.3;
    for (group, name) in scatter.groups.iter().enumerate() {
        let name = fitted(name, letters * 0.9, false, setting.width - 3.0 * letters);
        let wide = letters + width(&name, letters * 0.9, false);
        if x > edge && x + wide > setting.width - edge {
            x = edge;
            *top += letters * 1.3;
        }
        placed.push((x, *top - letters * 0.3, group, name));
        x += wide + letters;
    }
    placed
}

/// Round values that hold the data; a scale that begins near nothing begins at nothing.
fn scale(values: impl Iterator<Item = f64>, wanted: usize) -> Vec<f64> {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| (low.min(value), high.max(value)));
    let missing = if high - low < high.abs() * 1e-3 { (high.abs() * 0.05).max(0.5) } else { 0.0 };
    let low = if low >= 0.0 && low < (high - low) * 0.5 { 0.0 } else { low - missing };
    axis::values(low, high + missing, wanted.max(2))
}

fn share(scale: &[f64], value: f64) -> f32 {
    let (low, high) = (scale[0], scale[scale.len() - 1]);
    ((value - low) / (high - low)).clamp(0.0, 1.0) as f32
}

fn formatted(scale: &[f64], value: f64) -> String {
    let digits = axis::digits(scale);
    format!("{value:.digits$}")
}

fn mark(canvas: &mut dyn Canvas, (x, y): (f32, f32), r: f32, group: usize) {
    let (shape, ink) = SHAPES[group.min(SHAPES.len() - 1)];
    let points: Vec<(f32, f32)> = match shape {
        PointShape::Disc => (0..16)
            .map(|part| (part as f32 / 16.0 * std::f32::consts::TAU).sin_cos())
            .map(|(sine, cosine)| (x + r * cosine, y + r * sine))
            .collect(),
        PointShape::Triangle => vec![(x, y - r * 1.2), (x + r * 1.15, y + r * 0.8), (x - r * 1.15, y + r * 0.8)],
        PointShape::Square => vec![(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
        PointShape::Cross => {
            canvas.polyline(&[(x - r, y - r), (x + r, y + r)], 1.8, ink, &[]);
            canvas.polyline(&[(x - r, y + r), (x + r, y - r)], 1.8, ink, &[]);
            return;
        }
    };
    // Points on one another are seen as such: a filling one looks through, and an edge.
    canvas.area(&points, Ink { opacity: 0.45, ..ink });
    let edge: Vec<(f32, f32)> = points.iter().chain(points.first()).copied().collect();
    canvas.polyline(&edge, 1.1, ink, &[]);
}

#[cfg(test)]
mod tests {
    use super::super::tests::{Ledger, for_a_look, size_of_png};
    use super::*;

    fn lots() -> Scatter {
        let point = |lot: usize| {
            let hours = (lot * 7 % 23) as f64 * 2.3;
            ScatterPoint { x: hours, y: 310.0 - 1.8 * hours + (lot * 13 % 11) as f64 * 6.0, group: lot % 4 }
        };
        Scatter {
            title: "Broccoli: grams a tray against damp hours".into(),
            x_label: "hours damper than 75 %, in light".into(),
            y_label: "grams a tray".into(),
            points: (0..34).map(point).collect(),
            groups: vec!["Rack A".into(), "Rack B".into(), "Window rack".into(), "Cellar".into()],
            note: "Spearman's rho -0.71 over 34 lots. What goes together need not be cause and effect: seasons \
                   change everything at once."
                .into(),
        }
    }

    fn ledger(scatter: &Scatter, setting: Format) -> (Ledger, f32) {
        let plot = Plot::of(scatter, setting).unwrap();
        let mut ledger = Ledger::default();
        plot.draw(&mut ledger);
        (ledger, plot.height)
    }

    #[test]
    fn words_stay_inside_the_picture_and_off_one_another() {
        for setting in [PHONE, PAGE] {
            let (ledger, height) = ledger(&lots(), setting);
            ledger.words_stand_clear(setting.width, height);
        }
    }

    #[test]
    fn n_counts_what_is_drawn_and_each_group_has_its_own_shape() {
        let mut scatter = lots();
        scatter.points.push(ScatterPoint { x: f64::NAN, y: 1.0, group: 0 });
        let (ledger, _) = ledger(&scatter, PAGE);
        assert!(ledger.texts().any(|text| text == "n = 34"));
        // Corners of the filled shapes in the key: sixteen, three, four, and none.
        let corners: Vec<usize> = ledger.areas.iter().take(3).map(Vec::len).collect();
        assert_eq!(corners, [16, 3, 4]);
    }

    #[test]
    fn a_plot_without_points_is_told_and_one_point_has_a_scale() {
        let mut scatter = lots();
        scatter.points.truncate(1);
        assert!(scatter_svg(&scatter).unwrap().contains("n = 1<"));
        scatter.points[0].x = f64::INFINITY;
        assert_eq!(scatter_svg(&scatter), Err(ChartError::NoPoints));
    }

    #[test]
    fn a_plot_is_as_wide_as_a_phone_and_as_high_in_both_forms() {
        let (png, svg) = (scatter_png(&lots()).unwrap(), svg(&lots(), PHONE, Colours::Fixed).unwrap());
        let (width, height) = size_of_png(&png);
        assert_eq!(width, (PHONE.width * super::super::look::PIXELS_PER_POINT) as u32);
        let formatted: f32 = svg
            .split_once("height=\"")
            .and_then(|(_, rest)| rest.split_once('"'))
            .and_then(|(height, _)| height.parse().ok())
            .expect("it says its height");
        assert_eq!((formatted * super::super::look::PIXELS_PER_POINT).ceil() as u32, height);
        for_a_look("scatter.png", &png);
        for_a_look("scatter-phone.svg", svg.as_bytes());
        for_a_look("scatter.svg", scatter_svg(&lots()).unwrap().as_bytes());
    }
}
