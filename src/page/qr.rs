//! QR codes (ISO/IEC 18004) of a link: for a terminal, and as SVG for a sheet of labels.

use qrcode::render::unicode;
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write;

/// Clear modules around a code (ISO/IEC 18004: four).
const QUIET: usize = 4;

/// The code in half blocks, dark on light also in a dark terminal; `None`: the link is too long.
pub(crate) fn terminal(link: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(link, EcLevel::L).ok()?;
    // On the dark ground most terminals have, the blocks themselves are the light part.
    Some(
        code.render::<unicode::Dense1x2>()
            .dark_color(unicode::Dense1x2::Light)
            .light_color(unicode::Dense1x2::Dark)
            .build(),
    )
}

/// The code as SVG, black on white, sturdy enough for a label that gets wet; `None`: the link
/// is too long.
pub(crate) fn svg(link: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(link, EcLevel::Q).ok()?;
    let width = code.width();
    let whole = width + 2 * QUIET;
    let mut path = String::new();
    for (row, modules) in code.to_colors().chunks(width).enumerate() {
        let mut column = 0;
        while column < width {
            let run = modules[column..].iter().take_while(|module| **module == Color::Dark).count();
            if run > 0 {
                // Writing to a String cannot fail.
                let _ = write!(path, "M{} {}h{run}v1h-{run}z", column + QUIET, row + QUIET);
            }
            column += run.max(1);
        }
    }
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {whole} {whole}\" shape-rendering=\"crispEdges\" role=\"img\" aria-label=\"QR code\">\
         <rect width=\"{whole}\" height=\"{whole}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_has_its_three_corners_and_its_quiet_zone() {
        let text = svg("http://192.168.1.20:8460/rack?id=rack-a").expect("a short link");
        // The top of the first corner: seven dark modules, four from the edge (ISO/IEC 18004).
        assert!(text.contains("M4 4h7v1h-7z"), "{text}");
        assert!(text.contains("fill=\"#fff\""));
        assert_eq!(svg(&"x".repeat(5_000)), None);
        let shown = terminal("http://192.168.1.20:8460/pair?code=abc").expect("a short link");
        assert!(shown.lines().count() > 12 && shown.lines().all(|line| line.chars().count() < 80), "{shown}");
    }
}
