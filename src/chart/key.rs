//! What the shades and hatchings of a chart mean, in words below it: a picture is sent on
//! alone, and then nobody stands beside it to explain.

use super::canvas::{Anchor, Canvas, Ink, Lettering, SHORT};
use super::content::{Chart, Measure, Panel, Sign};
use super::lanes::draw_sign;
use super::lettering::width;
use super::look::{BAND, DARK, GAP, LIMIT, NIGHT, PEERS, SOFT, Setting};

/// Letters of the key, in heights of letters.
const LETTERS: f32 = 0.85;
/// Height of a row, in heights of letters.
const ROW: f32 = 1.3;

/// What one entry shows before its words.
#[derive(Clone, Copy, PartialEq)]
enum Swatch {
    Shade(Ink),
    Edge,
    Hatched,
    Thick,
    Of(Sign),
}

/// How high the key is.
pub(crate) fn height(chart: &Chart, setting: Setting) -> f32 {
    let rows = placed(chart, setting).last().map_or(0, |(_, row, ..)| row + 1);
    if rows == 0 { 0.0 } else { setting.letters * (ROW * rows as f32 + 0.3) }
}

/// The key from `top` down.
pub(crate) fn draw(chart: &Chart, setting: Setting, top: f32, canvas: &mut dyn Canvas) {
    let letters = setting.letters;
    for (x, row, swatch, words) in placed(chart, setting) {
        let middle = top + letters * (ROW * (row as f32 + 0.5) + 0.3);
        let (wide, high) = (letters * 1.2, letters * 0.7);
        let (left, above) = (x, middle - high / 2.0);
        match swatch {
            Swatch::Shade(ink) => {
                canvas.rect(left, above, wide, high, Ink { opacity: ink.opacity.max(0.2), ..ink });
            }
            Swatch::Edge => canvas.polyline(&[(left, middle), (left + wide, middle)], 1.2, LIMIT, SHORT),
            Swatch::Hatched => {
                for nth in 0..3 {
                    let from = left + wide * nth as f32 / 3.0;
                    canvas.polyline(&[(from, above + high), (from + high, above)], 0.7, GAP, &[]);
                }
            }
            Swatch::Of(sign) => draw_sign(sign, (left + wide / 2.0, middle), letters * 0.34, canvas),
            Swatch::Thick => canvas.polyline(&[(left, middle), (left + wide, middle)], 3.0, DARK, &[]),
        }
        let label = Lettering { size: letters * LETTERS, ink: SOFT, anchor: Anchor::Start, bold: false };
        canvas.text(words, left + wide + letters * 0.4, middle + letters * 0.3, label);
    }
}

/// Every entry with where it stands: across, and in which row.
fn placed(chart: &Chart, setting: Setting) -> Vec<(f32, usize, Swatch, &'static str)> {
    let letters = setting.letters;
    let (mut x, mut row) = (letters * 0.5, 0);
    let mut placed = Vec::new();
    for (swatch, words) in entries(chart) {
        let wide = letters * 1.6 + width(words, letters * LETTERS, false);
        if x + wide > setting.width - letters * 0.5 && x > letters * 0.5 {
            (x, row) = (letters * 0.5, row + 1);
        }
        placed.push((x, row, swatch, words));
        x += wide + letters;
    }
    placed
}

/// Only what is in the picture is explained.
fn entries(chart: &Chart) -> Vec<(Swatch, &'static str)> {
    let bands_in = |mold: bool| {
        let meant = chart.panels.iter().filter(|panel| (panel.measure == Measure::MoldPressure) == mold);
        meant.flat_map(|panel| &panel.bands).any(|band| band.low.is_some() || band.high.is_some())
    };
    let mut entries = Vec::new();
    if bands_in(false) {
        entries.push((Swatch::Shade(BAND), "asked for by the trays; alarms begin farther out"));
        entries.push((Swatch::Thick, "outside it"));
    }
    if bands_in(true) {
        entries.push((Swatch::Edge, "mold pressure 50: wet long enough to infect"));
    }
    if chart.panels.iter().any(|panel| panel.peers.is_some()) {
        entries.push((Swatch::Shade(PEERS), "middle half of the sisters"));
    }
    if chart.panels.iter().any(|panel| has_gap(chart, panel)) {
        let several = chart.panels.iter().any(|panel| panel.lines.len() > 1);
        entries.push((Swatch::Hatched, if several { "no readings of the first line" } else { "no readings" }));
    }
    if !chart.nights.is_empty() {
        entries.push((Swatch::Shade(NIGHT), "from the last round to the first"));
    }
    // An alarm bears its word; of what was done, a word is left out where it has no room.
    let signs = [
        (Sign::Drop, "watered"),
        (Sign::Mist, "misted"),
        (Sign::Square, "weight off, uncovered"),
        (Sign::Arrow, "moved"),
        (Sign::Ring, "looked at"),
        (Sign::Cross, "cut or thrown away"),
    ];
    let drawn = |sign: Sign| chart.lanes.iter().flat_map(|lane| &lane.happenings).any(|one| one.sign == sign);
    entries.extend(signs.into_iter().filter(|(sign, _)| drawn(*sign)).map(|(sign, words)| (Swatch::Of(sign), words)));
    entries
}

/// Whether the first line of a panel has a hole that is hatched.
fn has_gap(chart: &Chart, panel: &Panel) -> bool {
    let Some(first) = panel.lines.first().filter(|line| !line.points.is_empty()) else { return false };
    let inside = first.points.iter().map(|point| point.at).filter(|at| (chart.from..chart.until).contains(at));
    let moments: Vec<_> = [chart.from].into_iter().chain(inside).chain([chart.until]).collect();
    moments.windows(2).any(|pair| pair[1] - pair[0] > first.gap_after)
}
