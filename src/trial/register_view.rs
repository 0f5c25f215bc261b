//! A register held against the files of its folder, and against what the folder's last report told of.

use std::path::{Path, PathBuf};

use super::digest::Digest;
use super::record::{Occasion, Outcome};
use super::register::{Entry, REGISTER, RegisterIndex, read};
use super::told;
use crate::files;

/// A register against its folder.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RegisterView {
    /// What is wrong with the register itself.
    pub problem: Option<String>,
    /// Digest of its last line; `None` where it has none.
    pub head: Option<Digest>,
    /// Every sitting that was announced, in order.
    pub announced: Vec<Announced>,
    /// Journals in the folder that the register does not announce.
    pub unregistered: Vec<String>,
    /// Sittings that the folder's last report told of and that it does not announce, see [`told`].
    pub gone: Vec<Digest>,
}

/// A sitting in the register.
#[derive(Debug, Clone, PartialEq)]
pub struct Announced {
    /// File name of its journal.
    pub journal: String,
    /// The listener's name.
    pub listener: String,
    /// When.
    pub utc: String,
    /// Sitting or night.
    pub occasion: Occasion,
    /// A simulated listener's probability of being right.
    pub simulated: Option<f64>,
    /// Receipt and outcome, if it was closed.
    pub closed: Option<(Digest, Outcome)>,
    /// The journal is there.
    pub there: bool,
}

/// Reads the register of a folder of sittings and holds it against the files there.
pub fn view(sittings: &Path) -> RegisterView {
    let register = match read(sittings) {
        Ok(register) => register,
        Err(error) => return RegisterView { problem: Some(error.to_string()), ..RegisterView::default() },
    };
    let mut view = RegisterView {
        head: register.digests.last().copied(),
        gone: told::gone(sittings, &register),
        ..RegisterView::default()
    };
    let index = RegisterIndex::of(&register);
    let mut names = std::collections::HashSet::new();
    for entry in &register.entries {
        if let Entry::Opened { utc, journal, occasion, listener, simulated, .. } = entry {
            if !names.insert(journal.as_str()) && view.problem.is_none() {
                view.problem = Some(format!(
                    "it announces two sittings with one journal, {journal}: one of them is gone"
                ));
            }
            view.announced.push(Announced {
                journal: journal.clone(),
                listener: listener.clone(),
                utc: utc.clone(),
                occasion: *occasion,
                simulated: *simulated,
                closed: index.closed(journal).and_then(|line| register.entries[line].ended()),
                there: sittings.join(journal).exists(),
            });
        }
    }
    let known: std::collections::HashSet<&str> =
        view.announced.iter().map(|announced| announced.journal.as_str()).collect();
    match files::with_extension(sittings, "jsonl") {
        Ok(found) => {
            let name = |path: &PathBuf| crate::files::name(path);
            let stranger = |name: &String| name != REGISTER && !known.contains(name.as_str());
            view.unregistered = found.iter().map(name).filter(stranger).collect();
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => view.problem = Some(format!("the folder cannot be read to its end: {error}")),
    }
    view
}
