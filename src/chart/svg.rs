//! A canvas that writes SVG text. Numbers are rounded to a tenth of a point.

use super::canvas::{Anchor, Canvas, Ink, Lettering};
use std::fmt::Write;

/// SVG in the making.
pub(crate) struct SvgCanvas {
    text: String,
}

impl SvgCanvas {
    /// An empty picture with a title for who cannot see it.
    pub(crate) fn new(width: f32, height: f32, title: &str) -> Self {
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
        SvgCanvas { text }
    }

    /// The whole text.
    pub(crate) fn finish(mut self) -> String {
        self.text.push_str("</svg>\n");
        self.text
    }

    fn line(&mut self, points: &[(f32, f32)], width: f32, ink: Ink, dashes: &str) {
        let list = list(points);
        push(
            &mut self.text,
            format_args!(
                "<polyline points=\"{list}\" fill=\"none\" stroke=\"#{:06x}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{}{dashes}/>\n",
                ink.colour,
                opacity("stroke-opacity", ink)
            ),
        );
    }
}

impl Canvas for SvgCanvas {
    fn rect(&mut self, x: f32, y: f32, width: f32, height: f32, ink: Ink) {
        push(
            &mut self.text,
            format_args!(
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"#{:06x}\"{}/>\n",
                tenth(x),
                tenth(y),
                tenth(width.max(0.0)),
                tenth(height.max(0.0)),
                ink.colour,
                opacity("fill-opacity", ink)
            ),
        );
    }

    fn polyline(&mut self, points: &[(f32, f32)], width: f32, ink: Ink) {
        self.line(points, width, ink, "");
    }

    fn dashed(&mut self, points: &[(f32, f32)], width: f32, ink: Ink) {
        self.line(points, width, ink, " stroke-dasharray=\"4 3\"");
    }

    fn area(&mut self, points: &[(f32, f32)], ink: Ink) {
        let list = list(points);
        push(
            &mut self.text,
            format_args!("<polygon points=\"{list}\" fill=\"#{:06x}\"{}/>\n", ink.colour, opacity("fill-opacity", ink)),
        );
    }

    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering) {
        let anchor = match lettering.anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = if lettering.bold { " font-weight=\"600\"" } else { "" };
        push(
            &mut self.text,
            format_args!(
                "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"#{:06x}\"{anchor}{weight}>{}</text>\n",
                tenth(x),
                tenth(y),
                lettering.size,
                lettering.ink.colour,
                escaped(text)
            ),
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

fn opacity(name: &str, ink: Ink) -> String {
    if ink.opacity < 1.0 { format!(" {name}=\"{}\"", ink.opacity) } else { String::new() }
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
