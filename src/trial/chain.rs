//! Chained JSON Lines: one line's bytes, and files of them, for journals and the register alike.
//!
//! The written format is described in [`record`](super::record).

use std::fs::Metadata;
use std::io::{BufRead, Write};
use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::digest::{Digest, hex};
use crate::system::identity;
use crate::units::foreign;

/// Longest line in bytes that a reader takes; a session with thousands of stimuli fits.
pub const MAX_LINE: usize = 4 << 20;

/// Bytes of `,"check":"0123456789abcdef"}`.
const CHECK_LENGTH: usize = 28;

/// The bytes of a line without its newline.
///
/// `utc_ms` is the computer's clock, milliseconds since 1970 in UTC; `None` in files that do not have it.
pub fn encode<T: Serialize>(
    number: u64,
    chain: Digest,
    utc_ms: Option<i64>,
    record: &T,
) -> std::io::Result<Vec<u8>> {
    let utc_ms = utc_ms.map_or_else(String::new, |utc_ms| format!("\"utc_ms\":{utc_ms},"));
    let mut line = format!("{{\"number\":{number},\"chain\":\"{chain}\",{utc_ms}\"record\":").into_bytes();
    serde_json::to_writer(&mut line, record)?;
    let check = check_of(&line);
    line.extend_from_slice(format!(",\"check\":\"{check}\"}}").as_bytes());
    Ok(line)
}

fn check_of(bytes: &[u8]) -> String {
    hex(&Digest::of(bytes).0[..8])
}

/// Why a line is not the record that should stand there.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("record {number}: {message}")]
pub struct LineError {
    /// Number of the record, from 1.
    pub number: u64,
    /// What is wrong.
    pub message: String,
    /// The line was written by a newer program: not wrong, but unreadable here.
    pub newer: bool,
}

impl LineError {
    pub(super) fn new(number: u64, message: impl Into<String>) -> Self {
        Self { number, message: message.into(), newer: false }
    }
}

/// Decodes a line that should be record `number` after a line with digest `chain`; returns the clock's time, if the line
/// has it, and the record. A line has one spelling: what would be written otherwise is refused.
pub fn decode<T: DeserializeOwned + Serialize>(
    line: &[u8],
    number: u64,
    chain: Digest,
) -> Result<(Option<i64>, T), LineError> {
    let (utc_ms, body) = record_bytes(line, number, chain)?;
    let record = serde_json::from_slice(body).map_err(|error| {
        LineError::new(
            number,
            format!("its content is not what this format allows: {}", foreign::message(&error)),
        )
    })?;
    if encode(number, chain, utc_ms, &record).is_ok_and(|written| written == line) {
        Ok((utc_ms, record))
    } else {
        Err(LineError::new(
            number,
            "it says what a record may say, but is spelled as this program never spells it",
        ))
    }
}

/// Checks the envelope of a line and returns the clock's time, if it is there, and the bytes of its record.
fn record_bytes(line: &[u8], number: u64, chain: Digest) -> Result<(Option<i64>, &[u8]), LineError> {
    let fail = |message: &str| Err(LineError::new(number, message));
    let Some(split) =
        line.len().checked_sub(CHECK_LENGTH).filter(|split| line[*split..].starts_with(b",\"check\":\""))
    else {
        return fail("it is not a whole line of a journal (cut off, or changed, or a foreign file)");
    };
    let (covered, check) = line.split_at(split);
    if check != format!(",\"check\":\"{}\"}}", check_of(covered)).as_bytes() {
        return fail("its bytes were changed: they do not match the line's own check");
    }
    let Some(rest) = covered.strip_prefix(b"{\"number\":") else {
        return fail("it does not begin with the record's number");
    };
    let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let found = std::str::from_utf8(&rest[..digits]).ok().and_then(|digits| digits.parse::<u64>().ok());
    if found != Some(number) {
        let found = found.map_or_else(|| "no number".to_owned(), |found| format!("record {found}"));
        return Err(LineError::new(
            number,
            format!("{found} stands in its place: a record is missing, repeated or out of order"),
        ));
    }
    let Some(rest) = rest[digits..].strip_prefix(b",\"chain\":\"") else {
        return fail("it has no chain field");
    };
    let Some((found, rest)) = rest.split_at_checked(64) else {
        return fail("its chain field is cut short");
    };
    if found != chain.hex().as_bytes() {
        return fail(if number == 1 {
            "it does not start a chain"
        } else {
            "its chain does not fit the record before it: one of the two was changed, exchanged or comes from another journal"
        });
    }
    let (utc_ms, rest) = match rest.strip_prefix(b"\",\"utc_ms\":") {
        None => (None, rest.strip_prefix(b"\",")),
        Some(rest) => {
            let digits = rest.iter().take_while(|byte| byte.is_ascii_digit() || **byte == b'-').count();
            let found = std::str::from_utf8(&rest[..digits]).ok().and_then(|digits| digits.parse().ok());
            let Some(found) = found else { return fail("its clock's time is not a number") };
            (Some(found), rest[digits..].strip_prefix(b","))
        }
    };
    match rest.and_then(|rest| rest.strip_prefix(b"\"record\":")) {
        Some(body) => Ok((utc_ms, body)),
        None => fail("it has no record field"),
    }
}

/// One line of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// A line that ended with a newline, without it.
    Line(Vec<u8>),
    /// Bytes after the last newline: a torn write. How many.
    Torn(u64),
    /// A line longer than [`MAX_LINE`].
    TooLong,
    /// The end.
    End,
}

/// Reads the next line with bounded memory.
pub fn next_piece(reader: &mut impl BufRead) -> std::io::Result<Piece> {
    let mut line = Vec::new();
    loop {
        let available = match reader.fill_buf() {
            Ok(available) => available,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        if available.is_empty() {
            return Ok(if line.is_empty() { Piece::End } else { Piece::Torn(line.len() as u64) });
        }
        let (taken, ended) = match available.iter().position(|&byte| byte == b'\n') {
            Some(position) => (position, true),
            None => (available.len(), false),
        };
        if line.len() + taken > MAX_LINE {
            return Ok(Piece::TooLong);
        }
        line.extend_from_slice(&available[..taken]);
        reader.consume(taken + usize::from(ended));
        if ended {
            return Ok(Piece::Line(line));
        }
    }
}

/// Appends chained lines to a file; each is durable when [`Appender::append`] returns.
#[derive(Debug)]
pub struct Appender {
    file: std::fs::File,
    /// What the file holds, in bytes, where nobody else wrote to it.
    length: Option<u64>,
    number: u64,
    chain: Digest,
    failed: bool,
}

impl Appender {
    /// Goes on after `number` lines, the last of which has the digest `chain`. The file is open for appending.
    pub fn new(file: std::fs::File, number: u64, chain: Digest) -> Self {
        let length = file.metadata().ok().map(|about| about.len());
        Self { file, length, number, chain, failed: false }
    }

    /// Whether a path leads to the file that lines are appended to, and nobody else wrote to it.
    pub(super) fn is_at(&self, path: &Path) -> bool {
        let which =
            |about: std::io::Result<Metadata>| about.ok().map(|about| (identity(&about), about.len()));
        let there = which(std::fs::metadata(path));
        there.is_some()
            && there == which(self.file.metadata())
            && there.map(|(_, length)| length) == self.length
    }

    /// Appends one line: one write, then the disk. Returns the line's digest.
    pub fn append<T: Serialize>(&mut self, utc_ms: Option<i64>, record: &T) -> std::io::Result<Digest> {
        self.append_all(utc_ms, std::slice::from_ref(record))
            .map(|digests| digests.last().copied().unwrap_or(self.chain))
    }

    /// Appends several lines in one write, then the disk once, all with the same time of the clock (see [`encode`]).
    /// Returns each line's digest.
    pub fn append_all<T: Serialize>(
        &mut self,
        utc_ms: Option<i64>,
        records: &[T],
    ) -> std::io::Result<Vec<Digest>> {
        if self.failed {
            return Err(std::io::Error::other("an earlier write failed; nothing is written after it"));
        }
        let (mut number, mut chain) = (self.number, self.chain);
        let mut bytes = Vec::new();
        let mut digests = Vec::with_capacity(records.len());
        for record in records {
            number += 1;
            let line = encode(number, chain, utc_ms, record)?;
            if line.len() > MAX_LINE {
                return Err(std::io::Error::other(format!("a record of {} bytes is too long", line.len())));
            }
            chain = Digest::of(&line);
            digests.push(chain);
            bytes.extend_from_slice(&line);
            bytes.push(b'\n');
        }
        let written =
            self.file.write_all(&bytes).and_then(|()| self.file.flush()).and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            self.failed = true;
            return Err(error);
        }
        (self.number, self.chain) = (number, chain);
        self.length = self.length.map(|before| before + bytes.len() as u64);
        Ok(digests)
    }

    /// Digest of the last line: the running receipt.
    pub fn chain(&self) -> Digest {
        self.chain
    }
}
