//! Names and places that a report withholds, replaced where they stand as words of their own and nowhere inside others.

use std::path::{MAIN_SEPARATOR, Path};

use super::facts::EventFacts;
use super::journal::Readings;
use super::noted::Noted;
use super::replaced::{Known, replaced};
use crate::session::{Session, Wager, Written, same_person};
use crate::trial::Digest;
use crate::trial::register::Entry;

/// How a report is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Options {
    /// Replace listeners' names, and withhold what could give them away.
    pub anonymous: bool,
}

/// Shows words that people wrote, or what stands instead of them. It knows the names of all listeners, seats, preparers and
/// parties of a wager, and replaces them in every other text as well.
#[derive(Debug)]
pub struct Anonymiser {
    /// What stands instead of which name, the longest name first; `None` where all names may be shown.
    instead: Option<Vec<Known>>,
}

impl Anonymiser {
    /// Shows everything.
    pub const SHOWS: Self = Self { instead: None };

    /// Of a session with these journals and registers.
    pub fn of(session: &Session, readings: &[Readings], options: Options) -> Self {
        if !options.anonymous {
            return Self::SHOWS;
        }
        let mut people: Vec<(String, String)> = Vec::new();
        if let Some(wager) = &session.wager {
            people.push((wager.claimant.as_written().to_owned(), "the claimant".to_owned()));
            people.push((wager.skeptic.as_written().to_owned(), "the skeptic".to_owned()));
        }
        let journals = readings.iter().flat_map(|reading| &reading.journals);
        let mut others: Vec<Written> =
            journals.filter_map(|journal| journal.content.as_ref().ok()).flat_map(|of| of.people()).collect();
        others.extend(session.prepared_by.iter().cloned());
        for register in readings.iter().filter_map(|reading| reading.register.as_ref().ok()) {
            others.extend(register.entries.iter().filter_map(|entry| match entry {
                Entry::Opened { listener, .. } => Some(Written::new(listener)),
                Entry::Closed { .. } => None,
            }));
        }
        // Numbered in an order that says nothing about who they are.
        others.sort_by_key(digest);
        for name in others {
            if !people.iter().any(|(known, _)| same_person(known, name.as_written())) {
                let number = people.len() + 1;
                people.push((name.as_written().to_owned(), format!("[name {number}]")));
            }
        }
        let mut known: Vec<Known> = Vec::new();
        let mut add = |name: &str, any_case: bool, instead: &str| {
            if !name.is_empty() && !known.iter().any(|other| other.name == name) {
                known.push(Known { name: name.to_owned(), any_case, instead: instead.to_owned() });
            }
        };
        for (name, instead) in &people {
            add(name.trim(), name.trim().chars().count() > 2, instead);
        }
        // "Zoe Vale" is also known as Zoe.
        for (name, instead) in &people {
            let part = |word: &&str| word.chars().count() > 2 && word.starts_with(char::is_uppercase);
            for word in name.split_whitespace().filter(part) {
                add(word, false, instead);
            }
        }
        known.sort_by_key(|known| std::cmp::Reverse(known.name.chars().count()));
        Self { instead: Some(known) }
    }

    /// Names are withheld.
    pub fn hides(&self) -> bool {
        self.instead.is_some()
    }

    /// The words where names may be shown; else what stands instead.
    pub fn shown(&self, words: &Written, instead: impl FnOnce() -> String) -> String {
        if self.hides() { instead() } else { words.as_written().to_owned() }
    }

    /// A text with everybody's name replaced where names are withheld.
    pub fn text(&self, text: &str) -> String {
        self.instead.as_ref().map_or_else(|| text.to_owned(), |names| replaced(text, names))
    }

    /// The same words, cleared.
    fn cleared(&self, words: &Written) -> Written {
        Written::cleared(self.text(words.as_written()))
    }

    /// A session whose every text may be shown: its terms, circuit and files are the same.
    pub fn session(&self, session: &Session) -> Session {
        let mut shown = session.clone();
        let mut texts: Vec<&mut Written> = vec![&mut shown.title];
        texts.extend(&mut shown.attribute);
        texts.extend(shown.cables.iter_mut().map(|cable| &mut cable.name));
        texts.extend(shown.clips.iter_mut().map(|clip| &mut clip.name));
        texts.extend(shown.comparisons.iter_mut().map(|comparison| &mut comparison.name));
        texts.extend(&mut shown.prepared_by);
        texts.extend(shown.club.as_mut().map(|club| &mut club.name));
        let photographs = shown.switcher.iter_mut().flat_map(|switcher| &mut switcher.photographs);
        texts.extend(photographs.map(|photograph| &mut photograph.caption));
        if let Some(wager) = &mut shown.wager {
            let Wager { claimant, skeptic, claim, claimant_wins, skeptic_wins, .. } = wager;
            texts.extend([claimant, skeptic, claim, claimant_wins, skeptic_wins]);
        }
        for text in texts {
            *text = self.cleared(text);
        }
        for note in &mut shown.notes {
            *note = self.text(note);
        }
        if self.hides() {
            if let Some(wager) = &mut shown.wager {
                wager.claimant = Written::cleared("The claimant");
                wager.skeptic = Written::cleared("The skeptic");
            }
            shown.prepared_by.clear();
            shown.club = None;
            // A photograph may show people, and whose room it is.
            if let Some(switcher) = &mut shown.switcher {
                switcher.photographs.clear();
            }
        }
        shown
    }
}

/// SHA-256 of the words, by which somebody who knows them can find them.
pub(super) fn digest(words: &Written) -> Digest {
    Digest::of(words.as_written().as_bytes())
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
    let without = replaced_where(message, &format!("{path}{MAIN_SEPARATOR}"), "", |before, after| {
        starts(before) && (!plain || begins_with_a_file(after))
    });
    if plain {
        return without;
    }
    replaced_where(&without, &path, "the session's folder", |before, after| {
        starts(before) && !after.starts_with(|c: char| c.is_alphanumeric() || "/\\-_".contains(c))
    })
}

/// A name with an extension, as every file of a session has one.
fn begins_with_a_file(text: &str) -> bool {
    let word = text.split(char::is_whitespace).next().unwrap_or_default();
    word.rsplit_once('.').is_some_and(|(_, extension)| extension.starts_with(char::is_alphanumeric))
}

/// Replaces `what` wherever what stands before and after it allows it.
fn replaced_where(
    text: &str,
    what: &str,
    instead: &str,
    allowed: impl Fn(Option<char>, &str) -> bool,
) -> String {
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

impl EventFacts {
    /// The same, with names withheld where they are.
    pub(super) fn shown(&self, anonymiser: &Anonymiser) -> Self {
        let what = match &self.what {
            Noted::Said { text } => Noted::Said { text: anonymiser.text(text) },
            Noted::Host { words } => {
                Noted::Said { text: anonymiser.shown(words, || "host: words withheld".to_owned()) }
            }
            other => other.clone(),
        };
        Self { what, ..self.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::super::replaced::name;
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
