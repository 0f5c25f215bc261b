//! The join address as a QR code (ISO/IEC 18004), for a terminal and for a page's script.

use qrcode::render::unicode;
use qrcode::{Color, EcLevel, QrCode};

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

/// The code's modules as rows of `1` (dark) and `0`, without the quiet zone. Empty if the text is too long for a code.
pub fn modules(text: &str) -> Vec<String> {
    code(text).map_or_else(Vec::new, |code| {
        let width = code.width();
        let colors = code.to_colors();
        colors
            .chunks(width)
            .map(|row| row.iter().map(|&color| if color == Color::Dark { '1' } else { '0' }).collect())
            .collect()
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
        let rows = modules("http://127.0.0.1:8410/#ABC234");
        assert_eq!((rows.len(), rows[0].len()), (29, 29));
        assert!(rows[0].starts_with("1111111") && rows[0].ends_with("1111111"), "two finder patterns");
        assert!(terminal_lines(&"x".repeat(5000)).is_empty(), "too long is no panic");
    }
}
