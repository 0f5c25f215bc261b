//! What a sound device's word length makes of the differences under test.
//!
//! Comes in: the stimuli and the format that was negotiated. Goes out: facts for the journal, and a caution where the
//! words could hide a difference. Levels in dB relative to a full-scale sine. Must not know: draws.

use super::resolution::{MARGIN_DB, Resolved, bands, resolve};
use super::{PairKind, StimulusSet};
use crate::clip::dither::WordLength;
use crate::session::Session;

/// The word length behind the name of a sample format: `s16`, `s24`; anything else holds a 32-bit float's samples.
pub fn of_format(format: &str) -> WordLength {
    match format {
        "s16" => WordLength::Bits16,
        "s24" => WordLength::Bits24,
        _ => WordLength::Float32,
    }
}

/// What a word length is called in sentences.
pub fn name(word: WordLength) -> &'static str {
    match word {
        WordLength::Bits16 => "16-bit",
        WordLength::Bits24 => "24-bit",
        WordLength::Float32 => "32-bit",
    }
}

/// A word length beside every difference of a set of stimuli.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceWords {
    /// The word length.
    pub word: WordLength,
    /// Each comparison on each clip, at the clips' own level.
    pub pairs: Vec<(PairKind, Resolved)>,
}

impl DeviceWords {
    /// For a format such as `s16`, as devices and journals name it.
    pub fn of(stimuli: &StimulusSet, format: &str) -> Self {
        let word = of_format(format);
        let pairs = stimuli
            .pairs
            .iter()
            .filter(|pair| matches!(pair.kind, PairKind::Comparison { .. }))
            .map(|pair| (pair.kind, resolve(&bands(pair), word, pair.a.rate_hz)))
            .collect();
        Self { word, pairs }
    }

    /// The difference that stands out least: its pair and by how many dB it stands out of the noise in its strongest
    /// band, where everything is played `level_db` (0 or below) from the clips' own level. `None` where all sides are
    /// identical.
    pub fn least(&self, level_db: f64) -> Option<(PairKind, f64)> {
        self.pairs
            .iter()
            .filter(|(_, resolved)| resolved.bands > 0)
            .map(|(kind, resolved)| (*kind, resolved.best_margin_db + level_db))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Whether the words could hide a difference at this level.
    pub fn could_hide(&self, level_db: f64) -> bool {
        self.least(level_db).is_some_and(|(_, margin)| margin < MARGIN_DB)
    }

    /// Noise of the words, and how far the faintest difference stands out of it at this level. One sentence of less than
    /// 200 letters, for the journal.
    pub fn facts(&self, level_db: f64) -> String {
        let noise = 10.0 * (2.0 * self.word.noise_power()).log10();
        let words = name(self.word);
        match self.least(level_db) {
            None => format!(
                "{words} words, noise {noise:.0} dB; the sides are identical, there is nothing to resolve"
            ),
            Some((_, margin)) => format!(
                "{words} words, noise {noise:.0} dB; at {level_db:.0} dB the faintest difference under test stands \
                 {margin:.0} dB out of it in its strongest ERB band"
            ),
        }
    }

    /// The caution, with what to do, where the words could hide a difference at this level.
    pub fn caution(&self, session: &Session, level_db: f64) -> Option<String> {
        let (kind, margin) = self.least(level_db).filter(|(_, margin)| *margin < MARGIN_DB)?;
        let (PairKind::Comparison { comparison, clip } | PairKind::Control { comparison, clip, .. }) = kind;
        let wider = match self.word {
            WordLength::Bits16 => "choose a device (or its setting) of 24 or 32 bits",
            WordLength::Bits24 | WordLength::Float32 => "choose a clip on which the difference is larger",
        };
        let louder = if level_db < 0.0 { ", turn the level here up and the amplifier down" } else { "" };
        Some(format!(
            "the sound device's {} words could hide the difference of \"{}\" on \"{}\": it stands {margin:.0} dB out of \
             their noise in its strongest ERB band, and {MARGIN_DB:.0} dB are wanted; {wider}{louder}, or use a louder clip",
            name(self.word),
            session.comparisons[comparison].name,
            session.clips[clip].name,
        ))
    }
}
