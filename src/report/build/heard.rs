//! How large the difference of a comparison is to an ear, on each of its clips, in words.

use crate::hearing::{Ears, STEPS_NOTE};
use crate::session::{Levels, Session};

/// One paragraph per clip of a comparison: numbers, and one sentence that holds them against published thresholds, whose
/// source stands below. A clip
/// that cannot be read is left out here; it is named among the problems.
pub(super) fn on_clips(session: &Session, comparison: usize, ears: &mut Ears) -> Vec<String> {
    let is_last = comparison + 1 == session.comparisons.len();
    let comparison = &session.comparisons[comparison];
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let mut words = Vec::new();
    for &index in &comparison.clips {
        let clip = &session.clips[index];
        let found = ears.on_clip((index, &clip.source), (comparison.a, &a), (comparison.b, &b));
        if let Ok(Some(found)) = found {
            words.push(format!(
                "{}: {}. {}",
                clip.name.shown(),
                found.numbers(),
                found.sentence(session.levels == Levels::Matched)
            ));
        }
    }
    if is_last && !words.is_empty() {
        words.push(STEPS_NOTE.to_owned());
    }
    words
}
