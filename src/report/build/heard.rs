//! How large the difference of a comparison is to an ear, on each of its clips, in words.

use std::collections::BTreeMap;

use crate::hearing::{OnClip, Spectrum};
use crate::session::{Levels, Session};

/// Long-term spectra of clips by their index, each read once; `None` for one that cannot be read.
pub(super) type Spectra = BTreeMap<usize, Option<Spectrum>>;

/// One paragraph per clip of a comparison: numbers, and one sentence that holds them against published thresholds. A clip
/// that cannot be read is left out here; it is named among the problems.
pub(super) fn on_clips(session: &Session, comparison: usize, spectra: &mut Spectra) -> Vec<String> {
    let comparison = &session.comparisons[comparison];
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let mut words = Vec::new();
    for &index in &comparison.clips {
        let clip = &session.clips[index];
        let spectrum = spectra.entry(index).or_insert_with(|| Spectrum::read(&clip.source).ok());
        let found = spectrum.as_ref().and_then(|spectrum| OnClip::between(&a, &b, spectrum).ok().flatten());
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
