//! The register of a session's folder: every sitting that was ever opened, and how each ended.
//!
//! `sittings/register.jsonl`, chained like a journal (see [`record`](super::record)). A sitting is announced here, durably,
//! before its journal exists, and the journal's first record holds the digest of that line: a journal that was removed,
//! or a line that was removed from here, shows.

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
                let (utc_ms, entry) = chain::decode::<Entry>(&line, number, digest).map_err(broken)?;
                if utc_ms.is_some() {
                    return Err(broken(LineError::new(
                        number,
                        "the register's lines have no clock's time of their own",
                    )));
                }
                register.entries.push(entry);
                digest = Digest::of(&line);
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

    /// Receipt and outcome of a journal that was closed.
    pub fn closed(&self, wanted: &str) -> Option<(Digest, Outcome)> {
        self.entries.iter().find_map(|entry| match entry {
            Entry::Closed { journal, receipt, outcome, .. } if journal == wanted => {
                Some((*receipt, *outcome))
            }
            _ => None,
        })
    }
}
