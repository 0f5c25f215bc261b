//! The join address as a QR code (ISO/IEC 18004), for a terminal and for a page.

use qrcode::render::{svg, unicode};
use qrcode::{EcLevel, QrCode};

fn code(text: &str) -> Option<QrCode> {
    // Level M: readable from the back of a room, with a fingerprint on the screen.
    QrCode::with_error_correction_level(text, EcLevel::M).ok()
}

/// The code as lines for a terminal, two modules to a character's height, with the quiet zone; dark modules are the
/// terminal's background, so it is to be drawn light on dark. Empty if the text is too long for a code.
pub fn terminal_lines(text: &str) -> Vec<String> {
    code(text).map_or_else(Vec::new, |code| {
        code.render::<unicode::Dense1x2>()
            .dark_color(unicode::Dense1x2::Light)
            .light_color(unicode::Dense1x2::Dark)
            .build()
            .lines()
            .map(str::to_owned)
            .collect()
    })
}

/// The code as an SVG picture, black on white with the quiet zone. Empty if the text is too long for a code.
pub fn svg(text: &str) -> String {
    code(text).map_or_else(String::new, |code| {
        code.render().min_dimensions(240, 240).dark_color(svg::Color("#000")).light_color(svg::Color("#fff")).build()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_square_and_has_its_quiet_zone() {
        let lines = terminal_lines("http://127.0.0.1:8410/#ABC234");
        let width = lines[0].chars().count();
        // Version 3 (29 modules) holds up to 42 bytes at level M; 4 modules of quiet zone on each side.
        assert_eq!(width, 29 + 8);
        assert_eq!(lines.len(), width.div_ceil(2));
        assert!(lines[..2].iter().all(|line| line.chars().all(|c| c == '█')), "the quiet zone is light");
        assert!(svg("http://127.0.0.1:8410/").starts_with("<?xml"));
        assert!(terminal_lines(&"x".repeat(5000)).is_empty(), "too long is no panic");
    }
}
