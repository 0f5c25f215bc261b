//! The register of a session's folder: every sitting that was ever opened, and how each ended.
//!
//! `sittings/register.jsonl`, chained like a journal (see [`record`](super::record)). A sitting is announced here, durably,
//! before its journal exists, and the journal's first record holds the digest of that line: a journal that was removed,
//! or a line that was removed from here, shows.

use std::collections::{HashMap, HashSet};
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::chain::{self, LineError, Piece};
use super::digest::Digest;
use super::record::{Occasion, Outcome};
use crate::files;

/// Name of the register in the folder of sittings.
pub const REGISTER: &str = "register.jsonl";

/// A line of the register.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Entry {
    /// A sitting is about to be opened.
    Opened {
        /// UTC time, RFC 3339.
        utc: String,
        /// File name of its journal.
        journal: String,
        /// Sitting or night.
        occasion: Occasion,
        /// The listener's name.
        listener: String,
        /// Its commitment.
        commitment: Digest,
        /// SHA-256 of the session file.
        session: Digest,
        /// A simulated listener's probability of being right.
        simulated: Option<f64>,
    },
    /// A sitting was closed.
    Closed {
        /// UTC time, RFC 3339.
        utc: String,
        /// File name of its journal.
        journal: String,
        /// Digest of the journal's last record.
        receipt: Digest,
        /// How it ended.
        outcome: Outcome,
    },
}

impl chain::Recorded for Entry {}

impl Entry {
    /// Receipt and outcome, of a line that closes a sitting.
    pub fn ended(&self) -> Option<(Digest, Outcome)> {
        match self {
            Self::Closed { receipt, outcome, .. } => Some((*receipt, *outcome)),
            Self::Opened { .. } => None,
        }
    }
}

/// A register that was read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Register {
    /// All lines.
    pub entries: Vec<Entry>,
    /// SHA-256 of each line.
    pub digests: Vec<Digest>,
    /// Bytes of the whole lines.
    pub bytes: u64,
    /// Bytes of a write that was cut off.
    pub torn_bytes: u64,
}

/// Why a register cannot be trusted.
#[derive(Debug, thiserror::Error)]
pub enum RegisterError {
    /// The file cannot be read.
    #[error("{}: cannot be read: {}", file.display(), crate::files::reason(source))]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A line is not what the chain demands.
    #[error("{}: {error}", file.display())]
    Broken {
        /// The file.
        file: PathBuf,
        /// Which line, and what is wrong.
        error: LineError,
    },
}

/// Reads the register of a folder of sittings; no file is an empty register.
pub fn read(sittings: &Path) -> Result<Register, RegisterError> {
    let path = sittings.join(REGISTER);
    let unreadable = |source| RegisterError::Unreadable { file: path.clone(), source };
    let file = match files::open(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Register::default()),
        Err(error) => return Err(unreadable(error)),
    };
    let mut reader = BufReader::new(file);
    let mut register = Register::default();
    let mut digest = Digest::NOTHING;
    loop {
        let number = register.entries.len() as u64 + 1;
        let broken = |error| RegisterError::Broken { file: path.clone(), error };
        match chain::next_piece(&mut reader).map_err(unreadable)? {
            Piece::End => return Ok(register),
            Piece::Torn(bytes) => {
                register.torn_bytes = bytes;
                return Ok(register);
            }
            Piece::TooLong => {
                return Err(broken(LineError::new(number, "its line is too long")));
            }
            Piece::Line(line) => {
                let found = chain::decode::<Entry>(&line, number, digest).map_err(broken)?;
                if found.utc_ms.is_some() {
                    return Err(broken(LineError::new(
                        number,
                        "the register's lines have no clock's time of their own",
                    )));
                }
                register.entries.push(found.record);
                digest = found.digest;
                register.digests.push(digest);
                register.bytes += line.len() as u64 + 1;
            }
        }
    }
}

impl Register {
    /// Journals that were announced, in order, each with its place in [`Register::entries`].
    pub fn announced(&self) -> impl Iterator<Item = (usize, &str)> {
        self.entries.iter().enumerate().filter_map(|(index, entry)| match entry {
            Entry::Opened { journal, .. } => Some((index, journal.as_str())),
            Entry::Closed { .. } => None,
        })
    }

    /// Journals that were announced and not closed, in order.
    pub fn unclosed(&self) -> impl Iterator<Item = &str> {
        let mut closed = HashSet::new();
        let mut announced = Vec::new();
        for entry in &self.entries {
            match entry {
                Entry::Opened { journal, .. } => announced.push(journal.as_str()),
                Entry::Closed { journal, .. } => _ = closed.insert(journal.as_str()),
            }
        }
        announced.into_iter().filter(move |journal| !closed.contains(journal))
    }

    /// Receipt and outcome of a journal that was closed.
    pub fn closed(&self, wanted: &str) -> Option<(Digest, Outcome)> {
        let is_wanted = |entry: &&Entry| matches!(entry, Entry::Closed { journal, .. } if journal == wanted);
        self.entries.iter().find(is_wanted)?.ended()
    }
}

/// Where the lines of a register stand, looked up once for however many of its sittings are asked about.
#[derive(Debug, Clone, Default)]
pub struct RegisterIndex {
    lines: HashMap<Digest, usize>,
    closed: HashMap<String, usize>,
    /// Sittings that were announced up to and with each line.
    announced: Vec<u64>,
}

impl RegisterIndex {
    /// Of a register; its places are those in [`Register::entries`].
    pub fn of(register: &Register) -> Self {
        let mut index = Self::default();
        let mut announced = 0;
        for (place, (entry, digest)) in register.entries.iter().zip(&register.digests).enumerate() {
            index.lines.entry(*digest).or_insert(place);
            match entry {
                Entry::Opened { .. } => announced += 1,
                Entry::Closed { journal, .. } => {
                    index.closed.entry(journal.clone()).or_insert(place);
                }
            }
            index.announced.push(announced);
        }
        index
    }

    /// The place of the line with this digest.
    pub fn line(&self, digest: Digest) -> Option<usize> {
        self.lines.get(&digest).copied()
    }

    /// The place of the first line that closes a journal.
    pub fn closed(&self, journal: &str) -> Option<usize> {
        self.closed.get(journal).copied()
    }

    /// How many sittings were announced up to and with a line.
    pub fn announced_by(&self, place: usize) -> u64 {
        self.announced.get(place).copied().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_index_finds_what_a_search_from_the_first_line_on_finds() {
        let opened = |journal: &str| Entry::Opened {
            utc: "2026-02-01T19:30:00Z".to_owned(),
            journal: journal.to_owned(),
            occasion: Occasion::Sitting,
            listener: "Ida".to_owned(),
            commitment: Digest::of(journal.as_bytes()),
            session: Digest::NOTHING,
            simulated: None,
        };
        let closed = |journal: &str, receipt: u8| Entry::Closed {
            utc: "2026-02-01T20:00:00Z".to_owned(),
            journal: journal.to_owned(),
            receipt: Digest([receipt; 32]),
            outcome: Outcome::AllTrials,
        };
        // The same journal twice, closed twice; one that was closed and never announced; one left open.
        let entries = vec![
            opened("a"),
            closed("a", 1),
            opened("b"),
            opened("a"),
            closed("a", 2),
            closed("c", 3),
            opened("d"),
        ];
        let digests: Vec<Digest> = (0..entries.len() as u8).map(|line| Digest::of(&[line])).collect();
        let register = Register { entries, digests, bytes: 0, torn_bytes: 0 };
        let index = RegisterIndex::of(&register);
        for (place, digest) in register.digests.iter().enumerate() {
            assert_eq!(index.line(*digest), Some(place));
            let by_then = register.announced().filter(|(line, _)| *line <= place).count() as u64;
            assert_eq!(index.announced_by(place), by_then, "up to line {place}");
        }
        assert_eq!(index.line(Digest::NOTHING), None);
        for journal in ["a", "b", "c", "d", "e"] {
            let found = index.closed(journal).and_then(|line| register.entries[line].ended());
            assert_eq!(found, register.closed(journal), "{journal}");
        }
        assert_eq!(register.unclosed().collect::<Vec<_>>(), ["b", "d"]);
    }
}
