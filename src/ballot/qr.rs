//! The join address as a QR code (ISO/IEC 18004), for a terminal and for a page's script.

use qrcode::{Color, EcLevel, QrCode};

/// Modules of the quiet zone, as the standard asks (ISO/IEC 18004, 9.1; the section from memory).
const QUIET: usize = 4;

fn code(text: &str, level: EcLevel) -> Option<QrCode> {
    QrCode::with_error_correction_level(text, level).ok()
}

/// The code as lines for a terminal, two modules to a character's height, with a quiet zone; dark modules are the
/// terminal's background, so it is to be drawn dark on light. At the lowest level of correction, which is the smallest: the
/// host's screen is near. Empty if the text is too long for a code.
pub fn terminal_lines(text: &str) -> Vec<String> {
    let Some(code) = code(text, EcLevel::L) else { return Vec::new() };
    let width = code.width();
    let colors = code.to_colors();
    let light = |x: usize, y: usize| {
        let inside = (QUIET..QUIET + width).contains(&x) && (QUIET..QUIET + width).contains(&y);
        !inside || colors[(y - QUIET) * width + x - QUIET] == Color::Light
    };
    let side = width + 2 * QUIET;
    let character = |x: usize, y: usize| match (light(x, y), y + 1 >= side || light(x, y + 1)) {
        (true, true) => '█',
        (true, false) => '▀',
        (false, true) => '▄',
        (false, false) => ' ',
    };
    (0..side).step_by(2).map(|y| (0..side).map(|x| character(x, y)).collect()).collect()
}

/// The code's modules as rows of `1` (dark) and `0`, without the quiet zone. Empty if the text is too long for a code.
pub fn modules(text: &str) -> Vec<String> {
    // Level M: readable from the back of a room, with a fingerprint on the screen.
    code(text, EcLevel::M).map_or_else(Vec::new, |code| {
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
        // Version 2 (25 modules) holds up to 32 bytes at level L.
        assert_eq!(width, 25 + 2 * QUIET);
        assert_eq!(lines.len(), 17, "it fits between head and foot of 24 lines");
        const { assert!(QUIET >= 4, "ISO/IEC 18004 asks four modules") };
        // The longest address of a night takes the next version of 29 modules; 24 lines show it as text.
        assert_eq!(terminal_lines("http://255.255.255.255:65535/#ABC234").len(), 19);
        assert!(lines[0].chars().all(|c| c == '█'), "the quiet zone is light");
        let rows = modules("http://127.0.0.1:8410/#ABC234");
        assert_eq!((rows.len(), rows[0].len()), (29, 29));
        assert!(rows[0].starts_with("1111111") && rows[0].ends_with("1111111"), "two finder patterns");
        assert!(terminal_lines(&"x".repeat(5000)).is_empty(), "too long is no panic");
    }
}
