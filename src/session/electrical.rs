//! The electrical tables of a session: `[amplifier]`, `[loudspeaker]`, `[cables.*]`.

use std::path::Path;

use super::reader::{SessionError, Table};
use crate::circuit::{Amplifier, Cable, Loudspeaker};

/// `[amplifier]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn amplifier(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Amplifier, SessionError> {
    let _ = (table, folder, notes);
    Ok(Amplifier::ideal())
}

/// `[loudspeaker]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn loudspeaker(
    table: &mut Table<'_>,
    folder: &Path,
    notes: &mut Vec<String>,
) -> Result<Loudspeaker, SessionError> {
    let _ = (table, folder, notes);
    Ok(Loudspeaker::resistor(8.0))
}

/// One `[cables.NAME]`; relative paths are joined to `folder`; what the user should know is added to `notes`.
pub fn cable(table: &mut Table<'_>, folder: &Path, notes: &mut Vec<String>) -> Result<Cable, SessionError> {
    let _ = (table, folder, notes);
    Ok(Cable::Direct)
}
