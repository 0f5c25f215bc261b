//! Names and places that a report withholds, replaced where they stand as words of their own and nowhere inside others.

use std::path::{MAIN_SEPARATOR, Path};

use crate::trial::record::WagerTerms;

/// Replaces a name where it stands by itself: "Al" in "Al owes Ida a dinner", not in "also".
pub fn name(text: &str, name: &str, instead: &str) -> String {
    replaced(text, name, instead, |before, after| {
        !before.is_some_and(char::is_alphanumeric) && !after.starts_with(char::is_alphanumeric)
    })
}

/// Replaces the wager's names in its words.
pub fn wager(words: &str, wager: Option<&WagerTerms>, anonymous: bool) -> String {
    match (wager, anonymous) {
        (Some(wager), true) => {
            let mut hidden = words.to_owned();
            for (person, instead) in [(&wager.claimant, "the claimant"), (&wager.skeptic, "the skeptic")] {
                hidden = name(&hidden, person, instead);
            }
            hidden
        }
        _ => words.to_owned(),
    }
}

/// A message without the folder that its files stand in: a report tells nobody where somebody keeps files. A folder of
/// one plain word is only recognised in front of a file, since the same word may stand anywhere.
pub fn folder(message: &str, folder: &Path) -> String {
    let path = folder.display().to_string();
    if path.is_empty() || path == "." {
        return message.to_owned();
    }
    let starts = |before: Option<char>| !before.is_some_and(|c| c.is_alphanumeric() || "/\\.-_".contains(c));
    let plain = folder.components().count() < 2;
    let without = replaced(message, &format!("{path}{MAIN_SEPARATOR}"), "", |before, after| {
        starts(before) && (!plain || begins_with_a_file(after))
    });
    if plain {
        return without;
    }
    replaced(&without, &path, "the session's folder", |before, after| {
        starts(before) && !after.starts_with(|c: char| c.is_alphanumeric() || "/\\-_".contains(c))
    })
}

/// A name with an extension, as every file of a session has one.
fn begins_with_a_file(text: &str) -> bool {
    let word = text.split(char::is_whitespace).next().unwrap_or_default();
    word.rsplit_once('.').is_some_and(|(_, extension)| extension.starts_with(char::is_alphanumeric))
}

/// Replaces `what` wherever what stands before and after it allows it.
fn replaced(text: &str, what: &str, instead: &str, allowed: impl Fn(Option<char>, &str) -> bool) -> String {
    if what.is_empty() {
        return text.to_owned();
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = 0;
    for (at, found) in text.match_indices(what) {
        let end = at + found.len();
        if at >= rest && allowed(text[..at].chars().next_back(), &text[end..]) {
            out.push_str(&text[rest..at]);
            out.push_str(instead);
            rest = end;
        }
    }
    out.push_str(&text[rest..]);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_named_like_a_letter_or_a_word_changes_no_words() {
        let caution = "Start low, raise it once: the wall and a w, w/m and /w/x.csv stay. So does w/m.";
        assert_eq!(folder(caution, Path::new("w")), caution);
        assert_eq!(folder("a/z.csv: a trial is at a", Path::new("a")), "z.csv: a trial is at a");
        let path = Path::new("/home/ida/bet");
        assert_eq!(
            folder("/home/ida/bet/z.csv in /home/ida/bet, not /home/ida/bets or x/home/ida/bet", path),
            "z.csv in the session's folder, not /home/ida/bets or x/home/ida/bet"
        );
        assert_eq!(folder("./z.csv", Path::new(".")), "./z.csv");
        assert_eq!(folder("../bet/z.csv", Path::new("../bet")), "z.csv");
    }

    #[test]
    fn a_name_is_a_word_of_its_own() {
        assert_eq!(name("Al owes Ida, also Al's wall", "Al", "X"), "X owes Ida, also X's wall");
        assert_eq!(name("nothing", "", "X"), "nothing");
        assert_eq!(name("名無し and 名", "名", "X"), "名無し and X");
    }
}
