//! How large the difference of a comparison is to an ear, on each of its clips, in words.

use std::collections::BTreeMap;

use crate::hearing::{OnClip, PowerGains, Spectrum};
use crate::session::{Levels, Session};

/// What is worked out once for all comparisons.
#[derive(Default)]
pub(super) struct Once {
    /// Long-term spectra of clips by their index; `None` for one that cannot be read.
    spectra: BTreeMap<usize, Option<Spectrum>>,
    /// Power gains of cables by their index.
    gains: PowerGains,
}

/// One paragraph per clip of a comparison: numbers, and one sentence that holds them against published thresholds. A clip
/// that cannot be read is left out here; it is named among the problems.
pub(super) fn on_clips(session: &Session, comparison: usize, once: &mut Once) -> Vec<String> {
    let comparison = &session.comparisons[comparison];
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let mut words = Vec::new();
    for &index in &comparison.clips {
        let clip = &session.clips[index];
        let spectrum = once.spectra.entry(index).or_insert_with(|| Spectrum::read(&clip.source).ok());
        let gains = &mut once.gains;
        let found = spectrum.as_ref().and_then(|spectrum| {
            let a = gains.of(comparison.a, &a, spectrum).ok()?;
            OnClip::of(&a, &gains.of(comparison.b, &b, spectrum).ok()?, spectrum)
        });
        if let Some(found) = found {
            words.push(format!(
                "{}: {}. {}",
                clip.name,
                found.numbers(),
                found.sentence(session.levels == Levels::Matched)
            ));
        }
    }
    words
}
