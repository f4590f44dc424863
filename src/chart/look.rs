//! The one look of all pictures: the tones, each with its shade on light and on dark
//! paper, and how large things are set. Tones that carry data keep apart for every common
//! kind of colour vision (tested below); no meaning hangs on a tone alone.

use super::canvas::{Ink, Tone, ink};

const fn tone(name: &'static str, light: u32, dark: u32) -> Tone {
    Tone { name, light, dark }
}

/// What is drawn on.
pub(crate) const PAPER: Ink = ink(tone("paper", 0xfc_fcf9, 0x16_1c19));
/// Words that are read first.
pub(crate) const DARK: Ink = ink(tone("dark", 0x22_302a, 0xe6_ebe7));
/// Words that are read second.
pub(crate) const SOFT: Ink = ink(tone("soft", 0x56_635d, 0xa6_b1ab));
/// Lines behind the data.
pub(crate) const GRID: Ink = ink(tone("grid", 0xdf_e4dd, 0x2f_3833));
/// Spans without light.
pub(crate) const NIGHT: Ink = Ink { opacity: 0.08, ..ink(tone("night", 0x2b_3a67, 0x9f_b0ff)) };
/// Every second stage.
pub(crate) const STAGE: Ink = Ink { opacity: 0.13, ..ink(tone("stage", 0x7a_6a3a, 0xd9_c98a)) };
/// What the trays ask for.
pub(crate) const BAND: Ink = Ink { opacity: 0.13, ..LIMIT };
/// The edge of what the trays ask for.
pub(crate) const LIMIT: Ink = ink(tone("limit", 0x3f_7d5b, 0x6f_bf93));
/// Where nothing was measured.
pub(crate) const GAP: Ink = Ink { opacity: 0.55, ..ink(tone("gap", 0x8c_948f, 0x76_807a)) };
/// A tray's healthy sisters, behind its own line.
pub(crate) const PEERS: Ink = ink(tone("sisters", 0x4d_5651, 0xb9_c4be));
/// Warmth, and all that is no water: the vermillion of Okabe and Ito, darker on light paper.
pub(crate) const WARMTH: Ink = ink(tone("warmth", 0xb4_4c00, 0xf0_8a3c));
/// Water in air and tank: the blue of Okabe and Ito, and their sky blue on dark paper.
pub(crate) const WATER: Ink = ink(tone("water", 0x00_72b2, 0x56_b4e9));
/// A third thing: the reddish purple of Okabe and Ito, darker on light paper.
pub(crate) const THIRD: Ink = ink(tone("third", 0x9a_3f78, 0xe0_9bc2));
/// A fourth: their bluish green, darker on light paper.
pub(crate) const FOURTH: Ink = ink(tone("fourth", 0x00_6b4e, 0x3c_c99b));

/// Every tone, for the style of a page.
pub(crate) const TONES: [Tone; 13] = [
    PAPER.tone,
    DARK.tone,
    SOFT.tone,
    GRID.tone,
    NIGHT.tone,
    STAGE.tone,
    LIMIT.tone,
    GAP.tone,
    PEERS.tone,
    WARMTH.tone,
    WATER.tone,
    THIRD.tone,
    FOURTH.tone,
];

/// How large a picture is set, in points that are one pixel on a plain screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Format {
    /// Points across.
    pub(crate) width: f32,
    /// Height of one panel's field.
    pub(crate) field: f32,
    /// Height of the letters.
    pub(crate) letters: f32,
}

/// As wide as a phone: legible on 360 px.
pub(crate) const PHONE: Format = Format { width: 360.0, field: 84.0, letters: 13.0 };
/// As wide as a page.
pub(crate) const PAGE: Format = Format { width: 760.0, field: 150.0, letters: 12.0 };
/// As wide as a page, for pictures of many panels that must share one sheet of paper.
pub(crate) const SHEET: Format = Format { width: 760.0, field: 104.0, letters: 12.0 };

/// Pixels a point in PNG: sharp on a phone.
pub(crate) const PIXELS_PER_POINT: f32 = 2.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// What carries data in one picture beside each other.
    const DATA: [Ink; 3] = [PEERS, WARMTH, WATER];
    /// Groups of a scatter plot, which also differ in shape.
    const GROUPS: [Ink; 4] = [WATER, WARMTH, THIRD, FOURTH];

    /// Machado, Oliveira and Fernandes (2009), "A physiologically-based model for
    /// simulation of color vision deficiency", severity 1.0, for linear RGB. Read in the
    /// shader tables that restate them, not in the paper.
    const EYES: [(&str, [[f64; 3]; 3]); 4] = [
        ("full", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
        (
            "deutan",
            [[0.367_322, 0.860_646, -0.227_968], [0.280_085, 0.672_501, 0.047_413], [-0.011_820, 0.042_940, 0.968_881]],
        ),
        (
            "protan",
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
        ),
        // From memory.
        (
            "tritan",
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ),
    ];

    fn linear(colour: u32) -> [f64; 3] {
        let [_, red, green, blue] = colour.to_be_bytes();
        // IEC 61966-2-1 (sRGB).
        [red, green, blue].map(|part| {
            let part = f64::from(part) / 255.0;
            if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
        })
    }

    fn seen(colour: u32, eye: &[[f64; 3]; 3]) -> [f64; 3] {
        let [red, green, blue] = linear(colour);
        eye.map(|row| (row[0] * red + row[1] * green + row[2] * blue).clamp(0.0, 1.0))
    }

    /// CIE 1976 L*a*b* of linear sRGB under D65.
    fn lab([red, green, blue]: [f64; 3]) -> [f64; 3] {
        let part = |value: f64| {
            if value > 216.0 / 24389.0 { value.cbrt() } else { (24389.0 / 27.0 * value + 16.0) / 116.0 }
        };
        let x = part((0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505);
        let y = part(0.2126 * red + 0.7152 * green + 0.0722 * blue);
        let z = part((0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.089);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn apart(one: [f64; 3], other: [f64; 3]) -> f64 {
        one.iter().zip(other).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
    }

    fn luminance(colour: u32) -> f64 {
        let [red, green, blue] = linear(colour);
        0.2126 * red + 0.7152 * green + 0.0722 * blue
    }

    fn contrast(one: u32, other: u32) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn tones_that_carry_data_keep_apart_for_every_kind_of_colour_vision() {
        // Own bounds: 20 units of CIE76 are plainly two colours; groups have shapes besides.
        for (tones, least) in [(&DATA[..], 20.0), (&GROUPS[..], 10.0)] {
            for (eye, matrix) in &EYES {
                for (index, one) in tones.iter().enumerate() {
                    for other in &tones[..index] {
                        for (one, other) in [(one.tone.light, other.tone.light), (one.tone.dark, other.tone.dark)] {
                            let apart = apart(lab(seen(one, matrix)), lab(seen(other, matrix)));
                            assert!(apart >= least, "{eye}: {one:06x} and {other:06x} are {apart:.0} apart");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn words_and_lines_stand_out_from_light_and_dark_paper() {
        // WCAG 2.1: 4.5 for text (1.4.3), 3 for what a picture needs (1.4.11).
        for (ink, least) in [(DARK, 4.5), (SOFT, 4.5), (LIMIT, 3.0)]
            .into_iter()
            .chain(DATA.iter().chain(&GROUPS).map(|ink| (*ink, 3.0)))
        {
            for (ink, paper) in [(ink.tone.light, PAPER.tone.light), (ink.tone.dark, PAPER.tone.dark)] {
                assert!(contrast(ink, paper) >= least, "{ink:06x} on {paper:06x}: {:.1}", contrast(ink, paper));
            }
        }
    }
}
