//! What can be drawn on, in points with the origin at the top left.

/// A colour by what it stands for: its shade on light paper and on dark, as 0xRRGGBB.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tone {
    /// One lower-case word.
    pub(crate) name: &'static str,
    /// On light paper.
    pub(crate) light: u32,
    /// On dark paper.
    pub(crate) dark: u32,
}

/// A tone with its opacity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ink {
    /// The tone, which has a shade for light and one for dark paper.
    pub(crate) tone: Tone,
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
    /// Drawn in the heavier face.
    pub(crate) bold: bool,
}

/// How a line is broken: lengths drawn and left out, in points. Empty: not at all.
pub(crate) type Dashes = &'static [f32];

/// The dashes of limits and marks.
pub(crate) const SHORT: Dashes = &[4.0, 3.0];

/// A surface. Drawing never fails: what lies outside or has no size is not seen.
pub(crate) trait Canvas {
    /// A filled rectangle.
    fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink);
    /// A line through points.
    fn polyline(&mut self, points: &[(f32, f32)], width: f32, ink: Ink, dashes: Dashes);
    /// A filled shape.
    fn area(&mut self, points: &[(f32, f32)], ink: Ink);
    /// A text on its base line.
    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering);
}

/// An opaque ink.
pub(crate) const fn ink(tone: Tone) -> Ink {
    Ink { tone, opacity: 1.0 }
}
