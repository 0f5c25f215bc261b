//! Text that somebody else wrote (names, titles, paths, what a file holds): shown on one line, and doing nothing there.
//!
//! A terminal acts on control characters, and marks of direction let a text read otherwise than it is. Every room that
//! shows foreign text shows it through this file.

use std::path::Path;

/// Whether a terminal acts on the character, or text around it is read in another order or on another line because of it:
/// control characters (C0, DEL, C1), line and paragraph separators, marks of direction (Unicode 15, chapter 23.2), the mark
/// of byte order.
pub fn acts(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// The text with a replacement character for each one that [`acts`].
pub fn shown(text: &str) -> String {
    text.chars().map(|character| if acts(character) { '\u{fffd}' } else { character }).collect()
}

/// A path in the same way.
pub fn path(path: &Path) -> String {
    shown(&path.display().to_string())
}

/// Letters of a foreign text that a message can carry.
const MOST_SHOWN: usize = 60;

/// So much of a text as a message can carry.
pub fn shortened(text: &str) -> String {
    cut(text, MOST_SHOWN)
}

fn cut(text: &str, most: usize) -> String {
    let begins = shown(&text.chars().take(most).collect::<String>());
    if text.chars().nth(most).is_some() { format!("{begins}...") } else { begins }
}

/// Letters of a message of another program's, which repeats what it read.
const MOST_SAID: usize = 200;

/// What a reader said of a foreign text, of which it may repeat any length.
pub fn message(said: &dyn std::fmt::Display) -> String {
    cut(&said.to_string(), MOST_SAID)
}

/// The first character that [`acts`], by its number: for a complaint about it.
pub fn complaint(text: &str) -> Option<String> {
    let character = text.chars().find(|&character| acts(character))?;
    Some(format!(
        "it holds the character U+{:04X}, which shows nothing and acts on a terminal: leave it out",
        u32::from(character)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_text_is_cut_and_a_short_one_is_not() {
        let most = "\u{e4}".repeat(MOST_SHOWN);
        assert_eq!(shortened(&most), most);
        assert_eq!(shortened(&format!("{most}b")), format!("{most}..."));
        assert_eq!(shortened("a\0"), "a\u{fffd}");
    }

    #[test]
    fn what_acts_is_shown_and_said() {
        let text = "a\u{1b}[2Jb\nc\u{9b}d\u{202e}e\0\u{7f}";
        assert_eq!(shown(text), "a\u{fffd}[2Jb\u{fffd}c\u{fffd}d\u{fffd}e\u{fffd}\u{fffd}");
        assert!(complaint(text).expect("a complaint").contains("U+001B"));
        for harmless in ["Ada", "Jörn 🎻", "עדה", "a\u{200d}b", "x  y"] {
            assert_eq!((shown(harmless), complaint(harmless)), (harmless.to_owned(), None));
        }
    }
}
