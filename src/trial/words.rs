//! Digests as words that can be read aloud, photographed and compared.
//!
//! # The written format, for strangers
//!
//! `words.txt` beside this file holds 1024 distinct words of four to six letters in alphabetical order, so a word holds
//! 10 bits. A digest in words is 12 of them: its first 120 bits, most significant bit first, ten by ten, each number
//! the index of a word, from 0. Whoever wants to find another record with the same words has 2^120 to try; whoever
//! could prepare both beforehand, 2^60. The hex digits stand beside the words for those to whom that is not enough.

use std::sync::OnceLock;

use super::digest::Digest;
use crate::units::printed;

/// Words of a digest.
pub const RECEIPT_WORDS: usize = 12;

/// All words, in the order of their numbers.
pub fn words() -> &'static [&'static str] {
    static WORDS: OnceLock<Vec<&'static str>> = OnceLock::new();
    WORDS.get_or_init(|| include_str!("words.txt").split_whitespace().collect())
}

impl Digest {
    /// The digest in 12 words, with spaces between them.
    pub fn in_words(&self) -> String {
        let number = |index: usize| {
            let bit = |offset: usize| {
                let place = index * 10 + offset;
                usize::from(self.0[place / 8] >> (7 - place % 8) & 1)
            };
            (0..10).fold(0, |number, offset| number * 2 + bit(offset))
        };
        let chosen: Vec<&str> = (0..RECEIPT_WORDS).map(|index| words()[number(index)]).collect();
        chosen.join(" ")
    }

    /// Its words as people keep them: four groups of three words.
    pub fn groups(&self) -> String {
        let text = self.in_words();
        let words: Vec<&str> = text.split(' ').collect();
        words.chunks(3).map(|group| group.join(" ")).collect::<Vec<_>>().join(" / ")
    }

    /// Holds the digest against a receipt or commitment as somebody kept it: 64 hex digits, or the 12 words, in any
    /// case and with anything but letters and digits between them.
    pub fn matches(&self, kept: &str) -> Result<bool, String> {
        // Screens show the digits in groups.
        let digits: String = kept.chars().filter(|character| !character.is_whitespace()).collect();
        if let Some(digest) = Self::from_hex(&digits) {
            return Ok(*self == digest);
        }
        let typed: Vec<String> = kept
            .split(|character: char| !character.is_alphanumeric())
            .filter(|word| !word.is_empty())
            .map(str::to_lowercase)
            .collect();
        if let Some(unknown) = typed.iter().find(|word| words().binary_search(&word.as_str()).is_err()) {
            // Of a long text the beginning is enough: comparing takes as many steps as it has letters, with each of the words.
            let shown: String = unknown.chars().take(40).collect();
            let near = words().iter().min_by_key(|word| strsim::damerau_levenshtein(word, &shown));
            let hint = near.map(|word| format!("; did you mean `{word}`?")).unwrap_or_default();
            return Err(format!(
                "`{shown}` is neither one of the words of seals and receipts nor 64 hex digits{hint}"
            ));
        }
        if typed.len() != RECEIPT_WORDS {
            return Err(format!(
                "a seal or receipt has {RECEIPT_WORDS} words, or 64 hex digits; this has {}",
                printed::count(typed.len() as u64, "word")
            ));
        }
        Ok(typed.join(" ") == self.in_words())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_1024_distinct_sorted_short_words() {
        assert_eq!(words().len(), 1024);
        assert!(words().windows(2).all(|pair| pair[0] < pair[1]));
        assert!(words().iter().all(|word| (4..=6).contains(&word.len())));
        assert!(words().iter().all(|word| word.bytes().all(|byte| byte.is_ascii_lowercase())));
    }

    #[test]
    fn words_hold_the_first_120_bits() {
        let digest = Digest::of(b"abc");
        let text = digest.in_words();
        assert_eq!(text.split(' ').count(), RECEIPT_WORDS);
        assert_eq!(digest.matches(&text.to_uppercase().replace(' ', " - ")), Ok(true));
        assert_eq!(digest.matches(&digest.hex()), Ok(true));
        for bit in 0..256 {
            let mut other = digest;
            other.0[bit / 8] ^= 0x80 >> (bit % 8);
            assert_eq!(other.in_words() == text, bit >= RECEIPT_WORDS * 10, "bit {bit}");
        }
        assert!(digest.matches("zzzz").is_err());
        assert!(digest.matches("acorn").is_err());
    }
}
