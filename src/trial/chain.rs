//! Chained JSON Lines: one line's bytes, and files of them, for journals and the register alike.
//!
//! The written format is described in [`record`](super::record).

use std::io::{BufRead, Read as _, Write};
use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::digest::{Digest, hex};
use crate::system::{identity, identity_at};
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
    let check = check_of(Digest::of(&line));
    line.extend_from_slice(format!(",\"check\":\"{check}\"}}").as_bytes());
    Ok(line)
}

/// The check of a line of which so much as it covers has this digest.
fn check_of(covered: Digest) -> String {
    hex(&covered.0[..8])
}

/// A line that is the record that should stand there.
#[derive(Debug, Clone, PartialEq)]
pub struct Line<T> {
    /// The clock's time, if the line has it.
    pub utc_ms: Option<i64>,
    /// The record.
    pub record: T,
    /// SHA-256 of the line.
    pub digest: Digest,
}

/// What a line can hold.
pub trait Recorded: Serialize + DeserializeOwned {
    /// From the bytes of a record.
    ///
    /// # Errors
    /// They are none.
    fn parse(bytes: &[u8]) -> serde_json::Result<Self> {
        serde_json::from_slice(bytes)
    }
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

/// Decodes a line that should be record `number` after a line with digest `chain`. A line has one spelling: what would be
/// written otherwise is refused.
pub fn decode<T: Recorded>(line: &[u8], number: u64, chain: Digest) -> Result<Line<T>, LineError> {
    let Envelope { utc_ms, body, as_written, digest } = envelope(line, number, chain)?;
    let record = T::parse(body).map_err(|error| {
        LineError::new(
            number,
            format!("its content is not what this format allows: {}", foreign::message(&error)),
        )
    })?;
    if as_written && Expected::is(&record, body) {
        Ok(Line { utc_ms, record, digest })
    } else {
        Err(LineError::new(
            number,
            "it says what a record may say, but is spelled as this program never spells it",
        ))
    }
}

/// Takes what is written as long as it is what is expected: nothing is kept to be compared afterwards.
struct Expected<'b>(&'b [u8]);

impl Expected<'_> {
    /// Whether a record is written in these bytes.
    fn is(record: &impl Serialize, bytes: &[u8]) -> bool {
        let mut left = Expected(bytes);
        serde_json::to_writer(&mut left, record).is_ok() && left.0.is_empty()
    }
}

impl Write for Expected<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.write_all(bytes).map(|()| bytes.len())
    }

    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        match self.0.split_at_checked(bytes.len()) {
            Some((begins, rest)) if begins == bytes => {
                self.0 = rest;
                Ok(())
            }
            _ => Err(std::io::ErrorKind::InvalidData.into()),
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// What stands around the record of a line, and fits.
struct Envelope<'l> {
    utc_ms: Option<i64>,
    /// The record's bytes.
    body: &'l [u8],
    /// Its numbers have no sign and no zero that this program would not write.
    as_written: bool,
    digest: Digest,
}

/// Checks what stands around the record of a line.
fn envelope(line: &[u8], number: u64, chain: Digest) -> Result<Envelope<'_>, LineError> {
    let fail = |message: &str| Err(LineError::new(number, message));
    let Some(split) =
        line.len().checked_sub(CHECK_LENGTH).filter(|split| line[*split..].starts_with(b",\"check\":\""))
    else {
        return fail("it is not a whole line of a journal (cut off, or changed, or a foreign file)");
    };
    let (covered, check) = line.split_at(split);
    let (beginning, digest) = Digest::of_beginning_and_whole(covered, check);
    if check != format!(",\"check\":\"{}\"}}", check_of(beginning)).as_bytes() {
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
    let mut as_written = rest[..digits] == *number.to_string().as_bytes();
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
            as_written &= rest[..digits] == *i64::to_string(&found).as_bytes();
            (Some(found), rest[digits..].strip_prefix(b","))
        }
    };
    match rest.and_then(|rest| rest.strip_prefix(b"\"record\":")) {
        Some(body) => Ok(Envelope { utc_ms, body, as_written, digest }),
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
    // A whole line has its newline behind it.
    let most = MAX_LINE + 1;
    reader.by_ref().take(most as u64).read_until(b'\n', &mut line)?;
    Ok(match line.pop() {
        None => Piece::End,
        Some(b'\n') => Piece::Line(line),
        Some(_) if line.len() + 1 == most => Piece::TooLong,
        Some(_) => Piece::Torn(line.len() as u64 + 1),
    })
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
        let same = || Ok::<_, std::io::Error>(identity_at(&path.canonicalize()?)? == identity(&self.file)?);
        same().unwrap_or(false)
            && self.length.is_some()
            && [std::fs::metadata(path), self.file.metadata()]
                .into_iter()
                .all(|about| about.ok().map(|about| about.len()) == self.length)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_may_be_as_long_as_is_said_and_no_longer() {
        let of = |length: usize, end: &str| {
            let mut bytes = vec![b'x'; length];
            bytes.extend_from_slice(end.as_bytes());
            next_piece(&mut bytes.as_slice()).expect("memory can be read")
        };
        assert_eq!(of(0, ""), Piece::End);
        assert_eq!(of(0, "\nnext"), Piece::Line(Vec::new()));
        assert_eq!(of(3, "\n\n"), Piece::Line(b"xxx".to_vec()));
        assert_eq!(of(3, ""), Piece::Torn(3));
        assert_eq!(of(MAX_LINE, ""), Piece::Torn(MAX_LINE as u64));
        assert_eq!(of(MAX_LINE, "\n"), Piece::Line(vec![b'x'; MAX_LINE]));
        assert_eq!(of(MAX_LINE + 1, ""), Piece::TooLong);
        assert_eq!(of(MAX_LINE + 1, "\n"), Piece::TooLong);
    }

    #[test]
    fn lines_are_read_one_after_the_other() {
        let mut bytes = b"one\n\ntwo".as_slice();
        let mut next = || next_piece(&mut bytes).expect("memory can be read");
        assert_eq!(next(), Piece::Line(b"one".to_vec()));
        assert_eq!(next(), Piece::Line(Vec::new()));
        assert_eq!(next(), Piece::Torn(3));
        assert_eq!(next(), Piece::End);
    }

    #[test]
    fn what_is_written_has_to_be_expected_to_its_end() {
        let expected = br#"{"a":[1,"b"]}"#;
        let value = serde_json::json!({"a": [1, "b"]});
        assert!(Expected::is(&value, expected));
        assert!(!Expected::is(&value, &expected[..expected.len() - 1]), "less was expected");
        assert!(!Expected::is(&value, br#"{"a":[1,"b"]} "#), "more was expected");
        assert!(!Expected::is(&value, br#"{"a":[1,"c"]}"#), "something else was expected");
    }
}
