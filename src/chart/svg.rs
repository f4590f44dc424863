//! A canvas that writes SVG text. Numbers are rounded to a tenth of a point.

use super::canvas::{Anchor, Canvas, Dashes, Ink, Lettering, Tone};
use std::fmt::Write;

/// Where the colours come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Colours {
    /// Written into the picture, for light paper: it stands alone.
    Fixed,
    /// Named, and left to the style of the page it is part of.
    OfThePage,
}

/// SVG in the making.
pub(crate) struct SvgCanvas {
    text: String,
    colours: Colours,
}

impl SvgCanvas {
    /// An empty picture with a title for who cannot see it.
    pub(crate) fn new(width: f32, height: f32, title: &str, colours: Colours) -> Self {
        let mut text = String::new();
        let title = escaped(title);
        push(
            &mut text,
            format_args!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
                 role=\"img\" aria-label=\"{title}\" \
                 font-family=\"Inter,-apple-system,'Segoe UI',Roboto,Arial,sans-serif\"><title>{title}</title>\n"
            ),
        );
        SvgCanvas { text, colours }
    }

    /// The whole text.
    pub(crate) fn finish(mut self) -> String {
        self.text.push_str("</svg>\n");
        self.text
    }

    /// The attributes of a painted thing; `what` is `fill` or `stroke`.
    fn paint(&self, what: &str, ink: Ink) -> String {
        let Tone { name, light, .. } = ink.tone;
        let colour = match self.colours {
            Colours::Fixed => format!("{what}=\"#{light:06x}\""),
            Colours::OfThePage => format!("{what}=\"var(--{name})\""),
        };
        if ink.opacity < 1.0 { format!("{colour} {what}-opacity=\"{}\"", ink.opacity) } else { colour }
    }
}

impl Canvas for SvgCanvas {
    fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink) {
        let paint = self.paint("fill", ink);
        let (x, y, width, height) = (tenth(x), tenth(y), tenth(width.max(0.0)), tenth(height.max(0.0)));
        push(
            &mut self.text,
            format_args!("<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" {paint}/>\n"),
        );
    }

    fn polyline(&mut self, points: &[(f32, f32)], width: f32, ink: Ink, dashes: Dashes) {
        let (list, paint) = (list(points), self.paint("stroke", ink));
        let dashes = match dashes {
            [] => String::new(),
            dashes => {
                let lengths: Vec<String> = dashes.iter().map(f32::to_string).collect();
                format!(" stroke-dasharray=\"{}\"", lengths.join(" "))
            }
        };
        push(
            &mut self.text,
            format_args!(
                "<polyline points=\"{list}\" fill=\"none\" {paint} stroke-width=\"{width}\" stroke-linejoin=\"round\"{dashes}/>\n"
            ),
        );
    }

    fn area(&mut self, points: &[(f32, f32)], ink: Ink) {
        let (list, paint) = (list(points), self.paint("fill", ink));
        push(&mut self.text, format_args!("<polygon points=\"{list}\" {paint}/>\n"));
    }

    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering) {
        let anchor = match lettering.anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = if lettering.bold { " font-weight=\"600\"" } else { "" };
        let (paint, text) = (self.paint("fill", lettering.ink), escaped(text));
        let (x, y, size) = (tenth(x), tenth(y), lettering.size);
        push(
            &mut self.text,
            format_args!("<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" {paint}{anchor}{weight}>{text}</text>\n"),
        );
    }
}

fn push(text: &mut String, arguments: std::fmt::Arguments) {
    text.write_fmt(arguments).expect("writing to a String cannot fail");
}

fn list(points: &[(f32, f32)]) -> String {
    points.iter().map(|(x, y)| format!("{},{}", tenth(*x), tenth(*y))).collect::<Vec<_>>().join(" ")
}

fn tenth(value: f32) -> f32 {
    (value * 10.0).round() / 10.0
}

/// XML 1.0 has no place for most control characters, even escaped.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            sign if sign.is_control() => safe.push(' '),
            sign => safe.push(sign),
        }
    }
    safe
}
