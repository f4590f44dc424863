//! A canvas of pixels on light paper, packed as PNG. Letters are drawn from the outlines
//! of our own font files, so no font need be installed.

use super::canvas::{Anchor, Canvas, Dashes, Ink, Lettering};
use super::content::ChartError;
use super::lettering::{self, face};
use tiny_skia::{Color, FillRule, LineJoin, Paint, Path, PathBuilder, Pixmap, Rect, Stroke, StrokeDash, Transform};
use ttf_parser::OutlineBuilder;

/// A picture in the making.
pub(crate) struct PngCanvas {
    pixels: Pixmap,
    scale: f32,
}

impl PngCanvas {
    /// An empty picture of this many points.
    ///
    /// # Errors
    /// When so many pixels cannot be had.
    pub(crate) fn new(width: f32, height: f32, scale: f32) -> Result<Self, ChartError> {
        let (across, down) = ((width * scale).ceil() as u32, (height * scale).ceil() as u32);
        let pixels = Pixmap::new(across, down).ok_or(ChartError::Size { width: across, height: down })?;
        Ok(PngCanvas { pixels, scale })
    }

    /// The PNG bytes.
    ///
    /// # Errors
    /// When the picture cannot be packed.
    pub(crate) fn finish(self) -> Result<Vec<u8>, ChartError> {
        self.pixels.encode_png().map_err(|_| ChartError::Png)
    }

    fn scaled(&self) -> Transform {
        Transform::from_scale(self.scale, self.scale)
    }
}

impl Canvas for PngCanvas {
    fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink) {
        if let Some(rect) = Rect::from_xywh(x, y, width, height) {
            let scaled = self.scaled();
            self.pixels.fill_rect(rect, &paint(ink), scaled, None);
        }
    }

    fn polyline(&mut self, points: &[(f32, f32)], width: f32, ink: Ink, dashes: Dashes) {
        let Some(path) = path(points, false) else { return };
        // No dashes make no pattern, which is a whole line.
        let dash = StrokeDash::new(dashes.to_vec(), 0.0);
        let stroke = Stroke { width, line_join: LineJoin::Round, dash, ..Stroke::default() };
        let scaled = self.scaled();
        self.pixels.stroke_path(&path, &paint(ink), &stroke, scaled, None);
    }

    fn area(&mut self, points: &[(f32, f32)], ink: Ink) {
        if let Some(path) = path(points, true) {
            let scaled = self.scaled();
            self.pixels.fill_path(&path, &paint(ink), FillRule::Winding, scaled, None);
        }
    }

    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering) {
        let face = face(lettering.bold);
        let scale = lettering.size / f32::from(face.units_per_em().max(1));
        let width = lettering::width(text, lettering.size, lettering.bold);
        let begin = match lettering.anchor {
            Anchor::Start => x,
            Anchor::Middle => x - width / 2.0,
            Anchor::End => x - width,
        };
        let mut outline = Outline { path: PathBuilder::new(), x: begin, y, scale };
        for sign in text.chars() {
            let glyph = face.glyph_index(sign).unwrap_or_default();
            face.outline_glyph(glyph, &mut outline);
            outline.x += f32::from(face.glyph_hor_advance(glyph).unwrap_or(0)) * scale;
        }
        if let Some(path) = outline.path.finish() {
            let scaled = self.scaled();
            self.pixels.fill_path(&path, &paint(lettering.ink), FillRule::Winding, scaled, None);
        }
    }
}

fn paint(ink: Ink) -> Paint<'static> {
    let [_, red, green, blue] = ink.tone.light.to_be_bytes();
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    let opacity = (ink.opacity.clamp(0.0, 1.0) * 255.0).round() as u8;
    paint.set_color(Color::from_rgba8(red, green, blue, opacity));
    paint
}

fn path(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let (first, rest) = points.split_first()?;
    let mut path = PathBuilder::new();
    path.move_to(first.0, first.1);
    for (x, y) in rest {
        path.line_to(*x, *y);
    }
    if closed {
        path.close();
    }
    path.finish()
}

/// From font units, whose y points up, to points.
struct Outline {
    path: PathBuilder,
    x: f32,
    y: f32,
    scale: f32,
}

impl Outline {
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        (self.x + x * self.scale, self.y - y * self.scale)
    }
}

impl OutlineBuilder for Outline {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.move_to(x, y);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.line_to(x, y);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let ((x1, y1), (x, y)) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(x1, y1, x, y);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let ((x1, y1), (x2, y2), (x, y)) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(x1, y1, x2, y2, x, y);
    }

    fn close(&mut self) {
        self.path.close();
    }
}
