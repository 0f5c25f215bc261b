//! A second terminal as the room's display: it asks the running night on this machine and shows what everybody may see.
//!
//! Comes in: the session's folder, where the night keeps its passes. Goes out: lines. It knows no more than the page
//! `/room` does.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::time::Duration;

use serde::Deserialize;

use super::NightError;
use super::night::{Now, Phase};
use super::pass::{PassFile, Passes, join_address};
use super::qr;
use super::view::NightPart;

/// What is shown.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
pub struct RoomFacts {
    /// Title of the session.
    pub title: String,
    /// What must be known.
    pub notes: Vec<String>,
    /// Nothing is heard.
    pub silent: bool,
    /// The session's data is invented.
    pub invented: bool,
    /// What the evening is at.
    pub phase: Phase,
    /// The caution.
    pub caution: String,
    /// The trial.
    pub trial: Option<RoomTrialFacts>,
    /// The order of presentation.
    pub order: String,
    /// What the room hears by name, before the test.
    pub ears: Option<RoomEars>,
    /// What plays.
    pub now: Now,
    /// Milliseconds until that changes.
    pub left_ms: Option<u64>,
    /// Votes are taken.
    pub open: bool,
    /// Seats that have voted.
    pub voted: u32,
    /// Seats that are taken.
    pub seats: u32,
    /// The commitment.
    pub commitment: RoomSeal,
    /// After the closing.
    pub reveal: Option<RoomReveal>,
}

/// A trial as everybody may know it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
pub struct RoomTrialFacts {
    /// Whether it counts.
    pub part: NightPart,
    /// Number.
    pub number: u32,
    /// Of how many.
    pub of: u32,
    /// What is asked.
    pub question: String,
    /// What is heard.
    pub slots: Vec<String>,
}

/// What the room hears by name.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
pub struct RoomEars {
    /// What stands for each slot.
    pub slots: Vec<String>,
    /// What it is.
    pub said: String,
}

/// A digest in both forms.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
pub struct RoomSeal {
    /// Digits.
    pub hex: String,
    /// Words.
    pub words: String,
}

/// What the room sees after the closing.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
pub struct RoomReveal {
    /// Index of the step.
    pub at: usize,
    /// Number of steps.
    pub of: usize,
    /// The step in lines.
    pub lines: Vec<String>,
}

/// Where a running night can be asked.
#[derive(Debug, Clone)]
pub struct RunningNight {
    address: SocketAddr,
    key: String,
    code: String,
    qr: Vec<String>,
}

impl RunningNight {
    /// The night that runs in this folder of sittings.
    ///
    /// # Errors
    /// None runs there, or its passes cannot be read.
    pub fn find(sittings: &Path) -> Result<Self, NightError> {
        let mut newest: Option<std::path::PathBuf> = None;
        if let Ok(entries) = std::fs::read_dir(sittings) {
            for entry in entries.flatten() {
                let path = entry.path();
                // Names begin with the time, so the last name is the newest night.
                if path.extension().is_some_and(|extension| extension == "passes")
                    && newest.as_ref() < Some(&path)
                {
                    newest = Some(path);
                }
            }
        }
        let none = || {
            NightError::Refused(format!(
                "{}: no night runs here, and none is shown; start it in another terminal with `earwitness night`, then this display",
                sittings.display()
            ))
        };
        let file = PassFile::read(&newest.ok_or_else(none)?)?.ok_or_else(none)?;
        let passes = Passes::from_bytes(file.secret.0);
        let code = passes.room_code();
        let qr = qr::terminal_lines(&join_address(file.address, &code));
        Ok(Self { address: file.address, key: passes.display_key(), code, qr })
    }

    /// The address that phones open.
    pub fn join_address(&self) -> String {
        join_address(self.address, &self.code)
    }

    /// The room's code.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// The code to point a camera at, as lines.
    pub fn qr_lines(&self) -> &[String] {
        &self.qr
    }

    /// Asks once.
    ///
    /// # Errors
    /// The night does not answer.
    pub fn ask(&self) -> std::io::Result<RoomFacts> {
        let patience = Duration::from_secs(2);
        let request = format!(
            "GET /room-state HTTP/1.1\r\nHost: {}\r\nX-Room-Key: {}\r\nConnection: close\r\n\r\n",
            self.address, self.key
        );
        let (head, body) = exchange(self.address, patience, &request)?;
        if !head.starts_with("HTTP/1.1 200") {
            let line = head.lines().next().unwrap_or_default().to_owned();
            return Err(std::io::Error::other(format!("the night answered: {line}")));
        }
        serde_json::from_str(&body).map_err(std::io::Error::other)
    }
}

/// Sends a request that ends its connection, and gives head and body of the answer.
pub(super) fn exchange(
    address: SocketAddr,
    patience: Duration,
    request: &str,
) -> std::io::Result<(String, String)> {
    let mut stream = TcpStream::connect_timeout(&address, patience)?;
    stream.set_read_timeout(Some(patience))?;
    stream.set_write_timeout(Some(patience))?;
    stream.write_all(request.as_bytes())?;
    let mut answer = Vec::new();
    // What the host's machine sends is small; more than this is something else.
    stream.take(1 << 20).read_to_end(&mut answer)?;
    let text = String::from_utf8_lossy(&answer);
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    Ok((head.to_owned(), body.to_owned()))
}
