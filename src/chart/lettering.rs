//! The letters: two small font files inside the program, and how wide a text is in them.
//! A page that has other fonts sets other widths; ours run wide, so that what fits here
//! fits there.

use std::sync::LazyLock;
use ttf_parser::Face;

/// Both faces, read once.
struct Faces {
    regular: Face<'static>,
    bold: Face<'static>,
}

static FACES: LazyLock<Faces> = LazyLock::new(|| {
    let face = |bytes| Face::parse(bytes, 0).expect("the embedded font is read by a test");
    Faces {
        regular: face(include_bytes!("fonts/Inter-Regular.otf")),
        bold: face(include_bytes!("fonts/Inter-SemiBold.otf")),
    }
});

/// The face of plain or of heavy letters.
pub(crate) fn face(bold: bool) -> &'static Face<'static> {
    if bold { &FACES.bold } else { &FACES.regular }
}

/// How far a text runs, in points, in letters of this height.
pub(crate) fn width(text: &str, size: f32, bold: bool) -> f32 {
    let face = face(bold);
    let scale = size / f32::from(face.units_per_em().max(1));
    let advance = |sign| face.glyph_hor_advance(face.glyph_index(sign).unwrap_or_default()).unwrap_or(0);
    text.chars().map(|sign| f32::from(advance(sign))).sum::<f32>() * scale
}

/// The text, shortened with an ellipsis until it is no wider than `room`. Empty where not
/// even two letters fit.
pub(crate) fn fitted(text: &str, size: f32, bold: bool, room: f32) -> String {
    if width(text, size, bold) <= room {
        return text.to_owned();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while kept.len() > 2 {
        kept.pop();
        let shorter = kept.iter().collect::<String>().trim_end().to_owned() + "…";
        if width(&shorter, size, bold) <= room {
            return shorter;
        }
    }
    String::new()
}

/// The text in lines no wider than `room`, broken between words.
pub(crate) fn wrapped(text: &str, size: f32, bold: bool, room: f32) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let word = fitted(word, size, bold, room);
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), size, bold) <= room => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_fonts_have_every_sign_we_write() {
        for bold in [false, true] {
            for sign in "0123456789.-–−,:;%°CFkPaLgläöüé·…≥≤()".chars() {
                assert!(face(bold).glyph_index(sign).is_some(), "{sign} is missing, bold: {bold}");
            }
        }
    }

    #[test]
    fn a_text_is_shortened_or_broken_until_it_fits() {
        assert_eq!(fitted("light", 12.0, false, 100.0), "light");
        let short = fitted("germination", 12.0, false, 40.0);
        assert!(short.ends_with('…') && width(&short, 12.0, false) <= 40.0, "{short}");
        assert_eq!(fitted("germination", 12.0, false, 3.0), "");
        let lines = wrapped("grams a tray against hours damper than the limit", 12.0, false, 120.0);
        assert!(lines.len() > 1 && lines.iter().all(|line| width(line, 12.0, false) <= 120.0), "{lines:?}");
    }
}
