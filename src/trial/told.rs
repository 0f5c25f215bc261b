//! Sittings that a report in the session's folder told of, and that the register no longer knows.
//!
//! The register's last lines can be cut away together with their journals, and nothing in `sittings/` tells. A report that
//! was made before (`report/report.json`) does, if the person who cuts forgets it. It proves nothing, since anybody can write
//! such a file: it is a question to ask, and changes nothing of what counts.

use std::path::Path;

use serde::Deserialize;
use serde::de::IgnoredAny;

use super::digest::Digest;
use super::register::Register;
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
    simulated: Option<f64>,
    silent: bool,
    in_register: Line,
}

#[derive(Deserialize)]
struct Line {
    announced: Option<Digest>,
}

/// Lines of the register that announced the sittings that the last report told of, and that this register of the folder does
/// not have; with those that the report itself missed. Rehearsals (simulated or silent) are cleared away before the real thing
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
    let lines = heard.filter_map(|sitting| sitting.in_register.announced);
    report
        .register
        .gone
        .iter()
        .copied()
        .chain(lines)
        .filter(|line| !register.digests.contains(line))
        .collect()
}

/// The same in a sentence, for everybody who looks at the folder; `None` where there is nothing to say.
pub fn sentence(gone: &[Digest]) -> Option<String> {
    (!gone.is_empty()).then(|| {
        format!(
            "The last report in this folder told of {} that the register no longer knows: taken away with the journals, or \
             the register was exchanged.",
            printed::count(gone.len() as u64, "sitting")
        )
    })
}

/// [`sentence`] of a session's folder of sittings.
pub fn in_folder(sittings: &Path) -> Option<String> {
    sentence(&gone(sittings, &super::register::read(sittings).ok()?))
}
