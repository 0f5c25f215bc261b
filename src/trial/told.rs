//! Sittings that a report in the session's folder told of, and that the register no longer knows.
//!
//! The register's last lines can be cut away together with their journals, or written anew with them, and nothing in
//! `sittings/` tells. A report that was made before (`report/report.json`) does, if whoever did it forgets it. It proves
//! nothing, since anybody can write such a file: it is a question to ask, and changes nothing of what counts.

use std::path::Path;

use serde::Deserialize;
use serde::de::IgnoredAny;

use super::digest::Digest;
use super::register::{Entry, Register, RegisterIndex};
use crate::files;
use crate::units::printed;

/// Longest report that is read, in bytes: a panel of hundreds.
const LONGEST: u64 = 64 << 20;

/// What is read of `report.json`.
#[derive(Deserialize)]
struct Report {
    places: Vec<IgnoredAny>,
    register: Announced,
    sittings: Vec<Sitting>,
}

#[derive(Deserialize)]
struct Announced {
    #[serde(default)]
    gone: Vec<Digest>,
}

#[derive(Deserialize)]
struct Sitting {
    state: String,
    simulated: Option<f64>,
    silent: bool,
    receipt: Option<Digest>,
    in_register: Line,
}

impl Sitting {
    /// The report found it closed and sound: its receipt does not change any more.
    fn is_closed(&self) -> bool {
        ["complete", "decided", "not-qualified", "stopped-early"].contains(&self.state.as_str())
    }

    /// What the register lacks of it: its line, or where that is there, its receipt.
    fn lacking(&self, register: &Register, index: &RegisterIndex) -> Option<Digest> {
        let line = self.in_register.announced?;
        let Some(place) = index.line(line) else {
            return Some(line);
        };
        let Entry::Opened { journal, .. } = &register.entries[place] else { return None };
        let (receipt, _) = register.entries[index.closed(journal)?].ended()?;
        self.receipt.filter(|told| self.is_closed() && *told != receipt)
    }
}

/// Whether a register has such a line, or such a receipt.
fn knows(register: &Register, digest: Digest) -> bool {
    register.digests.contains(&digest)
        || register
            .entries
            .iter()
            .any(|entry| matches!(entry, Entry::Closed { receipt, .. } if *receipt == digest))
}

#[derive(Deserialize)]
struct Line {
    announced: Option<Digest>,
}

/// What this register of the folder lacks of the sittings that the last report told of: the lines that announced them, and of
/// those that ended otherwise then, their receipts; with what the report itself missed. Rehearsals (simulated or silent) are cleared away before the real thing
/// and are not asked about. A report of several places tells of other folders too and says nothing here; nor does a file that
/// is no such report.
pub fn gone(sittings: &Path, register: &Register) -> Vec<Digest> {
    let Some(folder) = sittings.parent() else { return Vec::new() };
    let Ok(bytes) = files::read(&folder.join("report").join("report.json"), LONGEST) else {
        return Vec::new();
    };
    let Ok(report) = serde_json::from_slice::<Report>(&bytes) else { return Vec::new() };
    if !report.places.is_empty() {
        return Vec::new();
    }
    let heard = report.sittings.iter().filter(|sitting| sitting.simulated.is_none() && !sitting.silent);
    let index = RegisterIndex::of(register);
    let lacking = heard.filter_map(|sitting| sitting.lacking(register, &index));
    report.register.gone.iter().copied().chain(lacking).filter(|digest| !knows(register, *digest)).collect()
}

/// The same in a sentence, for everybody who looks at the folder; `None` where there is nothing to say.
pub fn sentence(gone: &[Digest]) -> Option<String> {
    (!gone.is_empty()).then(|| {
        format!(
            "The last report in this folder told of {} that the register no longer knows: taken away with the journals, or \
             written anew with them.",
            printed::count(gone.len() as u64, "sitting")
        )
    })
}

/// [`sentence`] of a session's folder of sittings.
pub fn in_folder(sittings: &Path) -> Option<String> {
    sentence(&gone(sittings, &super::register::read(sittings).ok()?))
}
