//! How well the difference that was played is known, for whoever has the session and not only the journal.

use crate::circuit::CircuitError;
use crate::hearing::{Summary, Uncertainty};
use crate::session::{Comparison, Levels, Session};
use crate::units::printed::plus_minus;

/// What the stimuli of a comparison were made from, and what is unknown about that, in dB.
pub(super) fn sentence(comparison: &str, decibels: f64, unknown_db: f64) -> String {
    format!(
        "{comparison}: the stimuli were made from a difference of {}, which is {} than what is unknown about it.",
        plus_minus(decibels, unknown_db),
        if decibels > unknown_db { "larger" } else { "not larger" }
    )
}

/// A sentence for each comparison of a session; nothing of those whose cables have no tolerances, or that cannot be
/// computed.
pub fn known_differences(session: &Session) -> Vec<String> {
    let of = |comparison: &Comparison| -> Result<Option<String>, CircuitError> {
        let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
        let summary = Summary::between(&a, &b)?;
        Ok(Uncertainty::between(&a, &b, &summary, &[])?.map(|unknown| {
            let (decibels, unknown_db) = unknown.played(&summary, session.levels == Levels::Matched);
            sentence(comparison.name.as_written(), decibels, unknown_db)
        }))
    };
    // Where real cables are switched, nothing was made from what the circuit says.
    if session.switcher.is_some() {
        return Vec::new();
    }
    session.comparisons.iter().filter_map(|comparison| of(comparison).ok().flatten()).collect()
}
