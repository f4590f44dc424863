//! What can be drawn on, in points with the origin at the top left.

/// A colour with its opacity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ink {
    /// Red, green, blue: 0xRRGGBB.
    pub(crate) colour: u32,
    /// 0 to 1.
    pub(crate) opacity: f32,
}

/// Where a text stands against its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Anchor {
    /// It begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// It ends there.
    End,
}

/// How a text looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Lettering {
    /// Height in points.
    pub(crate) size: f32,
    /// Colour.
    pub(crate) ink: Ink,
    /// Where it stands.
    pub(crate) anchor: Anchor,
    /// Heavier.
    pub(crate) bold: bool,
}

/// A surface. Drawing never fails: what lies outside or has no size is not seen.
pub(crate) trait Canvas {
    /// A filled rectangle.
    fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink);
    /// A line through points.
    fn polyline(&mut self, points: &[(f32, f32)], width: f32, ink: Ink);
    /// A broken line through points.
    fn dashed(&mut self, points: &[(f32, f32)], width: f32, ink: Ink);
    /// A filled shape.
    fn area(&mut self, points: &[(f32, f32)], ink: Ink);
    /// A text on its base line.
    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering);
}

/// An opaque colour.
pub(crate) const fn ink(colour: u32) -> Ink {
    Ink { colour, opacity: 1.0 }
}
