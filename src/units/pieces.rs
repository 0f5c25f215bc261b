//! Text that arrives as bytes, cut anywhere.

/// Puts the pieces of a text together: a character whose end is missing is kept until it comes.
#[derive(Debug, Default)]
pub struct Pieces(Vec<u8>);

impl Pieces {
    /// No character has only begun.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// What is whole with these bytes. What is no text at all is shown as such, not waited for.
    pub fn take(&mut self, bytes: &[u8]) -> String {
        self.0.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&self.0) {
            Err(error) if error.error_len().is_none() => error.valid_up_to(),
            Ok(_) | Err(_) => self.0.len(),
        };
        let rest = self.0.split_off(whole);
        String::from_utf8_lossy(&std::mem::replace(&mut self.0, rest)).into_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_character_is_whole_or_waited_for() {
        let mut pieces = Pieces::default();
        let taken: Vec<String> = "ö±\u{1f50a}x".bytes().map(|byte| pieces.take(&[byte])).collect();
        assert_eq!(taken, ["", "ö", "", "±", "", "", "", "\u{1f50a}", "x"]);
        assert!(pieces.is_empty());
        assert_eq!(pieces.take(b"\xff!"), "\u{fffd}!", "no text is not waited for");
    }
}
