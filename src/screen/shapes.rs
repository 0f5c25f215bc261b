//! What is drawn, in the characters that every terminal and every encoding has.

use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};

use ratatui::buffer::Buffer;

use super::palette::Palette;
use crate::units::pieces::Pieces;

/// The character of ASCII that says the same as this one; `?` for a letter that has none.
fn ascii(character: char) -> char {
    match character {
        '─' | '–' | '—' | '−' => '-',
        '━' | '╺' | '╸' | '‖' => '=',
        '┄' | '·' | '•' => '.',
        '│' | '┃' | '▌' => '|',
        '┊' => ':',
        '┌' | '┐' | '└' | '┘' | '┏' | '┓' | '┗' | '┛' => '+',
        '█' => '#',
        '▄' => '_',
        '●' => '*',
        '○' | '°' => 'o',
        '▸' | '▶' | '→' => '>',
        '◂' | '←' => '<',
        '▼' | '↓' => 'v',
        '↑' => '^',
        '×' => 'x',
        'µ' | 'μ' => 'u',
        '±' | '…' => '~',
        '’' | '‘' => '\'',
        '▀' | '“' | '”' => '"',
        '\u{a0}' | '\u{202f}' => ' ',
        other if other.is_ascii() => other,
        _ => '?',
    }
}

/// Text in ASCII, as long as it was in characters but for signs that need two.
pub fn text_in_ascii(text: &str) -> String {
    text.chars().fold(String::with_capacity(text.len()), |mut plain, character| {
        match character {
            '±' => plain.push_str("+-"),
            '…' => plain.push_str("..."),
            'Ω' => plain.push_str("ohm"),
            '≤' => plain.push_str("<="),
            '≥' => plain.push_str(">="),
            other => {
                let _ = write!(plain, "{}", ascii(other));
            }
        }
        plain
    })
}

/// Puts a whole frame into ASCII, cell by cell.
pub fn frame_in_ascii(buffer: &mut Buffer) {
    for cell in &mut buffer.content {
        if !cell.symbol().is_ascii() {
            let plain = cell.symbol().chars().next().map_or(' ', ascii);
            cell.set_char(plain);
        }
    }
}

/// A writer of text that may have to be in ASCII.
#[derive(Debug)]
pub struct Encoded<W: Write> {
    inner: W,
    ascii: bool,
    pieces: Pieces,
}

impl<W: Write> Encoded<W> {
    /// A writer that changes everything into ASCII, or nothing.
    pub fn new(inner: W, ascii: bool) -> Self {
        Self { inner, ascii, pieces: Pieces::default() }
    }

    /// What goes to standard output: in ASCII where it is a terminal that needs it. Files and pipes get every byte as it is.
    pub fn standard_output(inner: W) -> Self {
        Self::new(inner, io::stdout().is_terminal() && Palette::from_environment().is_ascii())
    }
}

impl<W: Write> Write for Encoded<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if !self.ascii {
            return self.inner.write(bytes);
        }
        self.inner.write_all(text_in_ascii(&self.pieces.take(bytes)).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_that_come_in_pieces_are_put_together() {
        let mut bytes = Vec::new();
        let mut writer = Encoded::new(&mut bytes, true);
        for byte in "0.4 ± 0.1 dB\n".bytes() {
            writer.write_all(&[byte]).expect("memory can be written");
        }
        assert_eq!(bytes, b"0.4 +- 0.1 dB\n");
    }

    #[test]
    fn signs_keep_their_meaning() {
        assert_eq!(text_in_ascii("0.44 ± 0.01 dB, −30 °C"), "0.44 +- 0.01 dB, -30 oC");
        assert_eq!(text_in_ascii("Jörn … “yes”"), "J?rn ... \"yes\"");
    }
}
