//! Who sits where, and the receipts of what each seat has voted.
//!
//! Everything here is made of records and their digests, so a restart has the same from the journal.

use std::collections::BTreeMap;

use crate::trial::{Ballot, Digest, Record, TrialId};
use crate::units::foreign;

/// Most seats of a night.
pub const MOST_SEATS: u32 = 2000;
/// Longest name of a listener in characters.
pub const LONGEST_ALIAS: usize = 40;

/// A seat.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seat {
    /// The listener's chosen name.
    pub alias: String,
    /// How the seat votes.
    pub by: Ballot,
    /// The listener has left.
    pub left: bool,
    /// How often the seat was taken: the tokens of earlier holders are void.
    pub generation: u32,
    /// Votes from a phone that were accepted so far: the next one carries this plus one.
    pub sequence: u64,
    /// Number of the table, where the night has tables.
    pub table: Option<u32>,
    /// The receipts of its votes, by attempt: digests of the journal's records, once they are on the disk. The votes
    /// themselves are in the conductor's ledger.
    pub receipts: BTreeMap<TrialId, Digest>,
}

/// All seats.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Seats {
    seats: BTreeMap<u32, Seat>,
    /// Attempts whose votes were closed, in order.
    closed: Vec<TrialId>,
}

impl Seats {
    /// The seat with this number.
    pub fn get(&self, seat: u32) -> Option<&Seat> {
        self.seats.get(&seat)
    }

    /// All seats in order.
    pub fn iter(&self) -> impl Iterator<Item = (u32, &Seat)> {
        self.seats.iter().map(|(&number, seat)| (number, seat))
    }

    /// Seats that are taken now.
    pub fn taken(&self) -> u32 {
        self.seats.values().filter(|seat| !seat.left).count() as u32
    }

    /// The lowest free number that is not kept for others.
    pub fn free(&self, kept: impl Fn(u32) -> bool) -> Option<u32> {
        (1..=MOST_SEATS).find(|number| !self.seats.contains_key(number) && !kept(*number))
    }

    /// A name with a mark where another seat has the same one: `Ida (2)`.
    pub fn marked(&self, alias: String, own: Option<u32>) -> String {
        let taken = |name: &str| {
            self.seats.iter().any(|(number, seat)| Some(*number) != own && is_name_of(&seat.alias, name))
        };
        if !taken(&alias) {
            return alias;
        }
        let marked = |number: usize| {
            let mark = format!(" ({number})");
            let short: String = alias.chars().take(LONGEST_ALIAS - mark.chars().count()).collect();
            short + &mark
        };
        (2..=MOST_SEATS as usize + 2).map(marked).find(|name| !taken(name)).unwrap_or(alias)
    }

    /// Takes a record that is about to be written.
    pub fn take(&mut self, record: &Record) {
        match record {
            Record::Seat { seat, alias, by, table, .. } => {
                let taken = self.seats.entry(*seat).or_insert_with(|| Seat {
                    alias: String::new(),
                    by: *by,
                    left: false,
                    generation: 0,
                    sequence: 0,
                    table: None,
                    receipts: BTreeMap::new(),
                });
                taken.alias.clone_from(alias);
                taken.by = *by;
                taken.table = *table;
                taken.left = false;
                taken.generation += 1;
            }
            Record::SeatLeft { seat, .. } => {
                if let Some(taken) = self.seats.get_mut(seat) {
                    taken.left = true;
                }
            }
            Record::Vote { id, seat, by, .. } => {
                if let Some(taken) = self.seats.get_mut(seat) {
                    taken.sequence += u64::from(*by == Ballot::Phone);
                    taken.receipts.remove(id);
                }
            }
            Record::VotesClosed { id, .. } => self.closed.push(*id),
            Record::VotesVoid { id, .. } => self.closed.retain(|closed| closed != id),
            _ => {}
        }
    }

    /// A record is on the disk, and this is its digest.
    pub fn written(&mut self, record: &Record, digest: Digest) {
        if let Record::Vote { id, seat, .. } = record
            && let Some(taken) = self.seats.get_mut(seat)
        {
            taken.receipts.insert(*id, digest);
        }
    }

    /// Attempts whose votes were closed, in order.
    pub fn closed(&self) -> &[TrialId] {
        &self.closed
    }
}

/// Whether two names read the same: case, spaces and what shows nothing do not matter.
pub fn is_name_of(name: &str, other: &str) -> bool {
    let plain = |name: &str| {
        let letters = name.chars().filter(|c| !c.is_whitespace() && !is_unseen(*c));
        letters.flat_map(char::to_lowercase).collect::<String>()
    };
    plain(name) == plain(other)
}

/// Characters that show nothing by themselves (Unicode's default ignorable ones, and fillers).
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{34f}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}' | '\u{180b}'..='\u{180f}'
        | '\u{200b}'..='\u{200f}' | '\u{2060}'..='\u{206f}' | '\u{2800}' | '\u{3164}' | '\u{fe00}'..='\u{fe0f}'
        | '\u{feff}' | '\u{ffa0}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e0fff}')
}

/// A name as it may be shown: without control characters and without characters that turn the direction of the text
/// around it; `None` if nothing that can be seen is left or it is too long.
pub fn clean_alias(typed: &str) -> Option<String> {
    let acts = |c: char| if c.is_control() { Some(' ') } else { Some(c).filter(|&c| !foreign::acts(c)) };
    let kept: String = typed.chars().filter_map(acts).collect();
    let alias = kept.split_whitespace().collect::<Vec<_>>().join(" ");
    let seen = alias.chars().any(|c| !c.is_whitespace() && !is_unseen(c));
    (seen && alias.chars().count() <= LONGEST_ALIAS).then_some(alias)
}

/// An attempt's name in the pages' JSON: `main-3-1`.
pub fn id_text(id: TrialId) -> String {
    let part = match id.part {
        crate::trial::Part::Qualification => "qualification",
        crate::trial::Part::WarmUp => "practice",
        crate::trial::Part::Main => "main",
    };
    format!("{part}-{}-{}", id.trial, id.attempt)
}

/// The attempt that has this name; `None` if none can have it.
pub fn id_of(text: &str) -> Option<TrialId> {
    let mut parts = text.splitn(3, '-');
    let part = match parts.next()? {
        "qualification" => crate::trial::Part::Qualification,
        "practice" => crate::trial::Part::WarmUp,
        "main" => crate::trial::Part::Main,
        _ => return None,
    };
    let id = TrialId { part, trial: parts.next()?.parse().ok()?, attempt: parts.next()?.parse().ok()? };
    // One attempt, one spelling: neither `+3` nor `03`.
    (id_text(id) == text).then_some(id)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_attempt_has_one_name() {
        for part in [crate::trial::Part::Qualification, crate::trial::Part::WarmUp, crate::trial::Part::Main]
        {
            let id = TrialId { part, trial: 3, attempt: 12 };
            assert_eq!(id_of(&id_text(id)), Some(id));
        }
        for other in [
            "",
            "main",
            "main-3",
            "main-3-1-1",
            "main-03-1",
            "main-+3-1",
            "Main-3-1",
            "main-3-1 ",
            "main--3-1",
        ] {
            assert_eq!(id_of(other), None, "{other}");
        }
    }

    #[test]
    fn names_are_text_that_cannot_disturb_the_page() {
        assert_eq!(clean_alias("  Ida \n of  Mill "), Some("Ida of Mill".to_owned()));
        assert_eq!(clean_alias("<b>Ida</b>"), Some("<b>Ida</b>".to_owned()), "markup is text, not forbidden");
        assert_eq!(clean_alias("I\u{202e}da"), Some("Ida".to_owned()));
        assert_eq!(clean_alias("\u{7}\u{0}"), None);
        for unseen in ["\u{200b}", "\u{3164}\u{3164}", "\u{2060} \u{ad}", "\u{e0041}", "\u{2800}"] {
            assert_eq!(clean_alias(unseen), None, "{unseen:?} shows nothing");
        }
        assert!(is_name_of("HO\u{200d}ST ", "host"));
        assert_eq!(clean_alias(""), None);
        assert_eq!(clean_alias(&"x".repeat(LONGEST_ALIAS + 1)), None);
        assert!(clean_alias(&"é".repeat(LONGEST_ALIAS)).is_some(), "characters count, not bytes");
    }
}
