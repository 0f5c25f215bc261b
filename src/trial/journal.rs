//! Reading journals: strict, streaming, never a panic.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

use super::chain::{self, LineError, Piece};
use super::digest::Digest;
use super::record::{Closing, FORMAT, Opening, Record};
use crate::files;

/// A journal whose every line fits its chain. Whether its records make sense together is for
/// [`verify`](super::verify) to say.
#[derive(Debug, Clone, PartialEq)]
pub struct Journal {
    /// The file.
    pub file: PathBuf,
    /// All records; the first is an opening.
    pub records: Vec<Record>,
    /// SHA-256 of each record's line.
    pub digests: Vec<Digest>,
    /// The computer's clock at each record, milliseconds since 1970 in UTC; empty in format 1.
    pub utc_ms: Vec<i64>,
    /// Bytes of the whole lines.
    pub bytes: u64,
    /// Bytes after the last newline: a write that was cut off; 0 in a sound file.
    pub torn_bytes: u64,
}

impl Journal {
    /// The opening.
    pub fn opening(&self) -> Option<&Opening> {
        match self.records.first() {
            Some(Record::Opening(opening)) => Some(opening),
            _ => None,
        }
    }

    /// The closing, if the sitting was closed.
    pub fn closing(&self) -> Option<&Closing> {
        match self.records.last() {
            Some(Record::Closing(closing)) => Some(closing),
            _ => None,
        }
    }

    fn forget_last(&mut self) {
        self.records.pop();
        self.digests.pop();
        self.utc_ms.truncate(self.records.len());
    }

    /// The receipt: digest of the last record.
    pub fn receipt(&self) -> Option<Digest> {
        self.digests.last().copied()
    }
}

/// Why a file is not a journal that can be read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The file cannot be opened or read.
    #[error("{}: cannot be read: {}", file.display(), crate::files::reason(source))]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Nothing in it is a journal's.
    #[error("{}: this is not a journal: {message}", file.display())]
    NotAJournal {
        /// The file.
        file: PathBuf,
        /// Why.
        message: String,
    },
    /// It was written by a newer program.
    #[error(
        "{}: record 1: this journal has format {format}, this program reads up to {FORMAT}; use a newer earwitness",
        file.display()
    )]
    Newer {
        /// The file.
        file: PathBuf,
        /// Its format.
        format: u64,
    },
    /// A record is not what the chain demands.
    #[error("{}: {error}", file.display())]
    Broken {
        /// The file.
        file: PathBuf,
        /// Which record, and what is wrong.
        error: LineError,
        /// What was sound before it.
        sound: Box<Journal>,
    },
}

/// Bytes that are asked of the disk at once: most journals come in one or two pieces.
const READ_BYTES: usize = 1 << 16;

/// Reads a journal whose last line may be torn.
pub fn read(path: &Path) -> Result<Journal, JournalError> {
    let unreadable = |source| JournalError::Unreadable { file: path.to_path_buf(), source };
    let file = files::open(path).map_err(unreadable)?;
    if file.metadata().map_err(unreadable)?.is_dir() {
        return Err(JournalError::NotAJournal {
            file: path.to_path_buf(),
            message: "it is a folder".to_owned(),
        });
    }
    read_from(path, &mut BufReader::with_capacity(READ_BYTES, file))
}

/// Reads a journal from anything; `path` is for messages.
pub fn read_from(path: &Path, reader: &mut impl BufRead) -> Result<Journal, JournalError> {
    let file = path.to_path_buf();
    let mut journal = Journal {
        file: file.clone(),
        records: Vec::new(),
        digests: Vec::new(),
        utc_ms: Vec::new(),
        bytes: 0,
        torn_bytes: 0,
    };
    let mut digest = Digest::NOTHING;
    loop {
        let number = journal.records.len() as u64 + 1;
        let piece = chain::next_piece(reader)
            .map_err(|source| JournalError::Unreadable { file: file.clone(), source })?;
        let line = match piece {
            Piece::Line(line) => line,
            Piece::End if number == 1 => {
                return Err(JournalError::NotAJournal { file, message: "it is empty. Either the power went before its first record, and then nobody heard anything of it, or somebody \
                              emptied it"
                        .to_owned() });
            }
            Piece::Torn(bytes) if number == 1 => {
                let message = format!("its {bytes} bytes are no whole line");
                return Err(JournalError::NotAJournal { file, message });
            }
            Piece::End => return Ok(journal),
            Piece::Torn(bytes) => {
                journal.torn_bytes = bytes;
                return Ok(journal);
            }
            Piece::TooLong => {
                let message = format!("its line is longer than {} bytes", chain::MAX_LINE);
                return Err(broken(journal, LineError::new(number, message)));
            }
        };
        let decoded = chain::decode::<Record>(&line, number, digest);
        let known = |record: &Record| matches!(record, Record::Opening(opening) if opening.format <= FORMAT);
        if number == 1 && !decoded.as_ref().is_ok_and(|found| known(&found.record)) {
            first_look(&file, &line)?;
        }
        match decoded {
            Ok(found) => {
                journal.records.push(found.record);
                journal.utc_ms.extend(found.utc_ms);
                digest = found.digest;
            }
            Err(error) => return Err(broken(journal, error)),
        }
        journal.digests.push(digest);
        journal.bytes += line.len() as u64 + 1;
        let opens = matches!(journal.records.last(), Some(Record::Opening(_)));
        if opens != (number == 1) {
            journal.forget_last();
            let message = if opens { "a second opening" } else { "a journal begins with its opening" };
            return Err(broken(journal, LineError::new(number, message)));
        }
        let clocked = journal.opening().is_some_and(|opening| opening.format >= 2);
        if journal.utc_ms.len() != if clocked { journal.records.len() } else { 0 } {
            let message = if clocked { "it lacks the clock's time" } else { "format 1 has no clock's time" };
            journal.forget_last();
            return Err(broken(journal, LineError::new(number, message)));
        }
    }
}

fn broken(sound: Journal, error: LineError) -> JournalError {
    JournalError::Broken { file: sound.file.clone(), error, sound: Box::new(sound) }
}

/// Tells foreign files and newer formats from broken journals.
fn first_look(file: &Path, line: &[u8]) -> Result<(), JournalError> {
    let not = |message: &str| {
        Err(JournalError::NotAJournal { file: file.to_path_buf(), message: message.to_owned() })
    };
    if !line.starts_with(b"{\"") && !line.windows(7).any(|window| window == b"\"record") {
        return not("its first line is no record");
    }
    if let Ok(value) = serde_json::from_slice::<serde_json::Value>(line) {
        if value.get("record").is_none() {
            return not("its first line has no record");
        }
        if let Some(format) = value["record"]["format"].as_u64()
            && format > u64::from(FORMAT)
        {
            return Err(JournalError::Newer { file: file.to_path_buf(), format });
        }
    }
    Ok(())
}
