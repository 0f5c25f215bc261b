//! Where a session's listeners found their own smallest steps: another session, and what its sittings hold.

use super::{Readings, folder};
use crate::session::{self, Session};

/// The session that a session names as its yardstick, with the sittings in its folder; `None` where it names none.
///
/// # Errors
/// It or its sittings cannot be read, or it looks for no step.
pub fn yardstick(session: &Session) -> Result<Option<(Session, Vec<Readings>)>, String> {
    let Some(path) = &session.yardstick else { return Ok(None) };
    let measured = session::load(path).map_err(|error| format!("yardstick: {error}"))?;
    if measured.threshold.is_none_or(|threshold| threshold.scale.is_about_the_cables()) {
        return Err(format!(
            "yardstick: {} looks for no step; it needs [threshold] with scale = \"level\" or \"tilt\"",
            path.display()
        ));
    }
    let sittings = measured.sittings_folder();
    let readings = if sittings.is_dir() {
        vec![folder(&sittings, None).map_err(|error| format!("yardstick: {}: {error}", sittings.display()))?]
    } else {
        Vec::new()
    };
    Ok(Some((measured, readings)))
}
