//! What happened, beside what was measured: the strip of stages above the panels and the
//! lanes of signs below them.

use super::canvas::{Anchor, Canvas, Ink, Lettering};
use super::content::{Chart, Happening, Lane, Sign, Span};
use super::lettering::{fitted, width};
use super::look::{DARK, GRID, PAPER, SOFT, STAGE, Setting, WATER};
use super::time_axis::TimeAxis;

/// Height of a row of the strip of stages, in heights of letters.
const STAGE_ROW: f32 = 1.35;
/// Letters of the strip, in heights of letters.
const STAGE_LETTERS: f32 = 0.85;
/// Height of a lane, in heights of letters.
const LANE: f32 = 1.5;
/// No name of a lane takes more of the width.
const WIDEST_NAME: f32 = 0.17;

/// How high all lanes are.
pub(crate) fn height(chart: &Chart, setting: Setting) -> f32 {
    chart.lanes.len() as f32 * LANE * setting.letters
}

/// How wide the names of the lanes are.
pub(crate) fn names_wide(chart: &Chart, setting: Setting) -> f32 {
    let widest = chart.lanes.iter().map(|lane| width(&lane.name, setting.letters * 0.9, false)).fold(0.0, f32::max);
    widest.min(setting.width * WIDEST_NAME)
}

/// How high the strip of stages is. Where a name is wider than its stage, names stand in
/// two rows by turns, so that each can reach over its neighbours.
pub(crate) fn stages_height(chart: &Chart, setting: Setting, time: &TimeAxis) -> f32 {
    let letters = setting.letters;
    match stage_rows(chart, setting, time) {
        0 => 0.0,
        rows => letters * (STAGE_ROW * rows as f32 + 0.35),
    }
}

fn stage_rows(chart: &Chart, setting: Setting, time: &TimeAxis) -> usize {
    let size = setting.letters * STAGE_LETTERS;
    let stages = &chart.stages;
    let fits = |stage: &Span| width(&stage.label, size, false) + size * 0.4 <= time.x(stage.until) - time.x(stage.from);
    if stages.iter().all(fits) { stages.len().min(1) } else { 2 }
}

/// The strip of stages, above `below`.
pub(crate) fn draw_stages(chart: &Chart, setting: Setting, time: &TimeAxis, below: f32, canvas: &mut dyn Canvas) {
    let letters = setting.letters;
    let size = letters * STAGE_LETTERS;
    let rows = stage_rows(chart, setting, time);
    let height = letters * STAGE_ROW * rows as f32;
    let top = below - height - letters * 0.25;
    let stages = &chart.stages;
    let middle = |index: usize| stages.get(index).map(|stage| (time.x(stage.from) + time.x(stage.until)) / 2.0);
    for (index, stage) in stages.iter().enumerate() {
        let (left, right) = (time.x(stage.from), time.x(stage.until));
        let opacity = if index % 2 == 0 { STAGE.opacity * 0.6 } else { STAGE.opacity * 2.0 };
        canvas.rect(left, top, right - left, height, Ink { opacity, ..STAGE });
        // A name that reaches over its neighbours would be struck through.
        if index > 0 && rows == 1 {
            canvas.polyline(&[(left, top), (left, top + height)], 0.8, SOFT, &[]);
        }
    }
    let mut free_from = [time.left; 2];
    for (index, stage) in stages.iter().enumerate() {
        let row = index % rows.max(1);
        let own = middle(index).unwrap_or_default();
        // Up to half way to the next name in the same row.
        let end = time.right;
        let free_until = middle(index + rows).map_or(end, |next| (own + next) / 2.0);
        let name = fitted(&stage.label, size, false, free_until - free_from[row]);
        let half = width(&name, size, false) / 2.0;
        let x = own.min(free_until - half).max(free_from[row] + half);
        free_from[row] = x + half + size * 0.4;
        if !name.is_empty() {
            let label = Lettering { size, ink: DARK, anchor: Anchor::Middle, bold: false };
            canvas.text(&name, x, top + letters * (1.0 + STAGE_ROW * row as f32), label);
        }
    }
}

/// The lanes from `top` down.
pub(crate) fn draw(chart: &Chart, setting: Setting, time: &TimeAxis, top: f32, canvas: &mut dyn Canvas) {
    let letters = setting.letters;
    let size = letters * 0.9;
    let (left, right) = (time.left, time.right);
    for (index, lane) in chart.lanes.iter().enumerate() {
        let middle = top + letters * LANE * (index as f32 + 0.5);
        let name = fitted(&lane.name, size, false, left - letters);
        let label = Lettering { size, ink: DARK, anchor: Anchor::Start, bold: false };
        canvas.text(&name, letters * 0.5, middle + size * 0.35, label);
        canvas.polyline(&[(left, middle), (right, middle)], 0.8, GRID, &[]);
        let seen = |happening: &&Happening| {
            happening.at <= chart.until && happening.until.unwrap_or(happening.at) >= chart.from
        };
        if let Some(word) = word_of_all(lane) {
            draw_alarms(time, lane.happenings.iter().filter(seen), (word, middle), letters, canvas);
            continue;
        }
        let mut happenings = lane.happenings.iter().filter(seen).peekable();
        let (mut free_from, mut words_end) = (left, left);
        while let Some(happening) = happenings.next() {
            let own = time.x(happening.at);
            // What was done at one time stands side by side; where it is done all the time, on one another.
            let x = if own < free_from && free_from - own < letters * 2.0 { free_from } else { own };
            let end = happening.until.map_or(x, |until| time.x(until));
            let free_until = happenings.peek().map_or(right, |next| time.x(next.at) - letters * 0.5);
            words_end = draw_happening(happening, (x, end, middle), letters, (words_end, free_until), canvas);
            free_from = x.max(end) + letters * 0.85;
        }
    }
}

/// The word of a lane in which every alarm is of one kind: said once, for all of them.
fn word_of_all(lane: &Lane) -> Option<&str> {
    let first = lane.happenings.first()?;
    let alike = |other: &Happening| other.sign == Sign::Diamond && other.word == first.word;
    (!first.word.is_empty() && lane.happenings.iter().all(alike)).then_some(&first.word)
}

/// Alarms of one kind and its word, which is never left out: behind the first of them that
/// leaves room, else before it, else over the end of the row.
fn draw_alarms<'a>(
    time: &TimeAxis,
    alarms: impl Iterator<Item = &'a Happening>,
    (word, y): (&str, f32),
    letters: f32,
    canvas: &mut dyn Canvas,
) {
    let (left, right) = (time.left, time.right);
    let (r, size) = (letters * 0.34, letters * 0.8);
    let mut taken = Vec::new();
    for alarm in alarms {
        let x = time.x(alarm.at);
        let end = alarm.until.map_or(x, |until| time.x(until));
        if end > x {
            canvas.polyline(&[(x, y), (end, y)], r * 0.9, DARK, &[]);
        }
        draw_sign(alarm.sign, (x, y), r, canvas);
        taken.push((x - r * 1.8, end.max(x) + r * 1.8));
    }
    if taken.is_empty() {
        return;
    }
    let word = fitted(word, size, false, right - left);
    let wide = width(&word, size, false);
    let behind =
        taken.iter().enumerate().map(|(nth, (_, end))| (*end, taken.get(nth + 1).map_or(right, |next| next.0)));
    let before = taken.first().map(|first| (first.0 - wide, first.0)).filter(|(begin, _)| *begin >= left);
    let begin = behind
        .filter(|(from, until)| until - from >= wide)
        .chain(before)
        .map(|(from, _)| from)
        .next()
        .unwrap_or(right - wide);
    // The line of the lane would strike the word out.
    canvas.rect(begin - 2.0, y - size * 0.5, wide + 4.0, size, PAPER);
    canvas.text(&word, begin, y + size * 0.35, Lettering { size, ink: SOFT, anchor: Anchor::Start, bold: false });
}

/// Returns where the next word may begin.
fn draw_happening(
    happening: &Happening,
    (x, end, y): (f32, f32, f32),
    letters: f32,
    (free_from, free_until): (f32, f32),
    canvas: &mut dyn Canvas,
) -> f32 {
    let r = letters * 0.34;
    if end > x {
        canvas.polyline(&[(x, y), (end, y)], r * 0.9, DARK, &[]);
    }
    draw_sign(happening.sign, (x, y), r, canvas);
    let size = letters * 0.8;
    let wide = width(&happening.word, size, false);
    let (behind, before) = (end.max(x) + r * 1.8, x - r * 1.8 - wide);
    // A word that would have to be cut is left out: the sign and the lane say enough.
    let begin = if behind + wide <= free_until {
        behind
    } else if before >= free_from {
        before
    } else {
        return behind;
    };
    if !happening.word.is_empty() {
        // The line of the lane would strike the word out.
        canvas.rect(begin - 2.0, y - size * 0.5, wide + 4.0, size, PAPER);
        let label = Lettering { size, ink: SOFT, anchor: Anchor::Start, bold: false };
        canvas.text(&happening.word, begin, y + size * 0.35, label);
    }
    behind.max(begin + wide + size * 0.5)
}

/// A sign around a point, `r` its half height.
pub(crate) fn draw_sign(sign: Sign, (x, y): (f32, f32), r: f32, canvas: &mut dyn Canvas) {
    let round = |from: f32, until: f32| {
        (0..=12).map(move |part| {
            let angle = (from + (until - from) * part as f32 / 12.0).to_radians();
            (x + r * angle.cos(), y + r * angle.sin())
        })
    };
    let drop = || -> Vec<(f32, f32)> {
        [(x, y - r * 1.5)].into_iter().chain(round(-30.0, 210.0).map(|(x, y)| (x, y + r * 0.2))).collect()
    };
    let outlined = |mut points: Vec<(f32, f32)>, ink: Ink, canvas: &mut dyn Canvas| {
        canvas.area(&points, PAPER);
        points.extend(points.first().copied());
        canvas.polyline(&points, 1.3, ink, &[]);
    };
    match sign {
        Sign::Drop => canvas.area(&drop(), WATER),
        Sign::Mist => outlined(drop(), WATER, canvas),
        Sign::Ring => outlined(round(0.0, 360.0).collect(), DARK, canvas),
        Sign::Arrow => canvas.area(&[(x - r, y - r), (x + r * 1.1, y), (x - r, y + r)], DARK),
        Sign::Square => outlined(vec![(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)], DARK, canvas),
        Sign::Cross => {
            canvas.polyline(&[(x - r, y - r), (x + r, y + r)], 1.8, DARK, &[]);
            canvas.polyline(&[(x - r, y + r), (x + r, y - r)], 1.8, DARK, &[]);
        }
        Sign::Diamond => canvas.area(&[(x, y - r * 1.3), (x + r * 1.1, y), (x, y + r * 1.3), (x - r * 1.1, y)], DARK),
    }
}
