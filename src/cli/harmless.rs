//! The last door to a terminal: whatever a command prints, nothing of it acts on the terminal.

use std::fmt::Write as _;
use std::io::{self, Write};

use crate::units::foreign;
use crate::units::pieces::Pieces;

/// A writer of text on which a terminal does nothing but show it. Line ends and tabs stay; every other character that acts is
/// written as its number, `\u001b`, which in JSON means the same character.
pub(super) struct Harmless<W> {
    inner: W,
    pieces: Pieces,
}

impl<W: Write> Harmless<W> {
    pub(super) fn new(inner: W) -> Self {
        Self { inner, pieces: Pieces::default() }
    }

    pub(super) fn get_ref(&self) -> &W {
        &self.inner
    }
}

impl<W: Write> Write for Harmless<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.pieces.is_empty() && bytes.iter().all(|byte| matches!(byte, b'\n' | b'\t' | b' '..=b'~')) {
            return self.inner.write(bytes);
        }
        self.inner.write_all(harmless(&self.pieces.take(bytes)).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// See [`Harmless`].
pub(super) fn harmless(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for character in text.chars() {
        if foreign::acts(character) && !matches!(character, '\n' | '\t') {
            // A text takes everything.
            let _ = write!(safe, "\\u{:04x}", u32::from(character));
        } else {
            safe.push(character);
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_that_come_in_pieces_are_put_together() {
        let mut writer = Harmless::new(Vec::new());
        for byte in "Jörn\u{9b}2J\u{202e}\r\t\n\u{1b}c".bytes() {
            writer.write_all(&[byte]).expect("memory can be written");
        }
        assert_eq!(String::from_utf8_lossy(writer.get_ref()), "Jörn\\u009b2J\\u202e\\u000d\t\n\\u001bc");
    }
}
