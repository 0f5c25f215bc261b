//! Training that is kept: `sittings/training.log`, one line per pair that somebody trained on, chained like the register.
//! It is shown in reports, and counts nowhere.

use std::io::{self, BufReader};
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::chain::{self, Appender, Piece};
use super::digest::Digest;
use crate::files;

/// Name of the list in the folder of sittings.
pub const TRAINING: &str = "training.log";

/// What somebody came to on one pair in one audition.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trained {
    /// UTC time of its end, RFC 3339.
    pub utc: String,
    /// Who trained.
    pub listener: String,
    /// SHA-256 of the session file.
    pub session: Digest,
    /// The pair, in words.
    pub pair: String,
    /// Right answers in a row at which training ends.
    pub criterion: u32,
    /// Answers.
    pub answers: u32,
    /// Right ones.
    pub right: u32,
    /// Times that the criterion was reached.
    pub reached: u32,
    /// Nothing was played aloud.
    pub silent: bool,
}

impl chain::Recorded for Trained {}

/// Reads the list; no file is an empty one. Also the digest of the last line.
fn lines(folder: &Path) -> Result<(Vec<Trained>, Digest), String> {
    let broken = |why: String| format!("{TRAINING} cannot be trusted: {why}");
    let file = match files::open(&folder.join(TRAINING)) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok((Vec::new(), Digest::NOTHING)),
        Err(error) => return Err(broken(error.to_string())),
    };
    let (mut reader, mut found, mut digest) = (BufReader::new(file), Vec::new(), Digest::NOTHING);
    loop {
        match chain::next_piece(&mut reader).map_err(|error| broken(error.to_string()))? {
            Piece::End => return Ok((found, digest)),
            Piece::Torn(_) => return Err(broken("its last line is cut off".to_owned())),
            Piece::TooLong => return Err(broken("a line is too long".to_owned())),
            Piece::Line(line) => {
                let number = found.len() as u64 + 1;
                let own = chain::decode::<Trained>(&line, number, digest)
                    .map_err(|error| broken(error.to_string()))?;
                found.push(own.record);
                digest = own.digest;
            }
        }
    }
}

/// Reads the list; no file is an empty one.
///
/// # Errors
/// It cannot be read, or its chain is broken.
pub fn read(folder: &Path) -> Result<Vec<Trained>, String> {
    lines(folder).map(|(found, _)| found)
}

/// Adds to the list, made with its folder if it is not there.
///
/// # Errors
/// It cannot be written, or cannot be trusted.
pub fn append(folder: &Path, rows: &[Trained]) -> Result<(), String> {
    if rows.is_empty() {
        return Ok(());
    }
    let path = folder.join(TRAINING);
    let wrong = |error: io::Error| {
        format!(
            "{}: training could not be kept: {error}",
            path.display(),
            error = crate::files::reason(&error)
        )
    };
    files::make_folder(folder).map_err(wrong)?;
    let (known, chain) = lines(folder)?;
    let file = files::append(&path).map_err(wrong)?;
    files::sync_names(&path).map_err(wrong)?;
    let mut list = Appender::new(file, known.len() as u64, chain);
    for row in rows {
        list.append(None, row).map_err(wrong)?;
    }
    Ok(())
}
