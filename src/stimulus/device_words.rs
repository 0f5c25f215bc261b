//! What a sound device's word length makes of the differences under test.
//!
//! Comes in: the stimuli and the format that was negotiated. Goes out: facts for the journal, and a caution where the words could hide a difference. Levels in dB relative to a full-scale sine. Must not know:
//! draws.

use super::resolution::{BandLevels, MARGIN_DB, Resolved, bands, resolve};
use super::{PairDifference, PairKind, StimulusError, StimulusSet};
use crate::clip::dither::WordLength;
use crate::session::Session;
use crate::units::printed::{self, rounded};

/// The word length behind the name of a sample format: `s16`, `s24`; anything else holds a 32-bit float's samples.
pub fn of_format(format: &str) -> WordLength {
    match format {
        "s16" => WordLength::Bits16,
        "s24" => WordLength::Bits24,
        _ => WordLength::Float32,
    }
}

/// What to do about words that could hide a difference.
pub fn wider(word: WordLength) -> &'static str {
    match word {
        WordLength::Bits16 => "choose a device (or its setting) of 24 or 32 bits",
        WordLength::Bits24 | WordLength::Float32 => "choose a clip on which the difference is larger",
    }
}

/// One comparison on one clip.
#[derive(Debug, Clone, PartialEq)]
struct Difference {
    kind: PairKind,
    rate_hz: u32,
    bands: Vec<BandLevels>,
}

/// A word length beside every difference of a set of stimuli.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceWords {
    /// The word length.
    pub word: WordLength,
    /// Each comparison on each clip, at the clips' own level.
    pub pairs: Vec<(PairKind, Resolved)>,
    differences: Vec<Difference>,
}

impl DeviceWords {
    /// For a format such as `s16`, as devices and journals name it.
    ///
    /// # Errors
    /// The stimuli cannot be read back.
    pub fn of(stimuli: &StimulusSet, format: &str) -> Result<Self, StimulusError> {
        let differences = stimuli
            .pairs
            .iter()
            .filter(|pair| matches!(pair.kind, PairKind::Comparison { .. }))
            .map(|pair| Ok(Difference { kind: pair.kind, rate_hz: pair.a.rate_hz, bands: bands(pair)? }))
            .collect::<Result<Vec<_>, StimulusError>>()?;
        Ok(Self { word: WordLength::Float32, pairs: Vec::new(), differences }.in_format(format))
    }

    /// The same of comparisons that were measured as they went by.
    pub fn of_differences(measured: &[PairDifference], format: &str) -> Self {
        let differences = measured
            .iter()
            .map(|of| Difference { kind: of.kind, rate_hz: of.rate_hz, bands: of.bands.clone() })
            .collect();
        Self { word: WordLength::Float32, pairs: Vec::new(), differences }.in_format(format)
    }

    /// The same differences beside the words of another format.
    #[must_use]
    pub fn in_format(mut self, format: &str) -> Self {
        self.word = of_format(format);
        self.pairs =
            self.differences.iter().map(|of| (of.kind, resolve(&of.bands, self.word, of.rate_hz))).collect();
        self
    }

    /// The difference that stands out least, where everything is played `level_db` (0 or below) from the clips' own
    /// level. `None` where all sides are identical.
    pub fn least(&self, level_db: f64) -> Option<Faintest> {
        self.pairs
            .iter()
            .filter(|(_, resolved)| resolved.bands > 0)
            .min_by(|a, b| a.1.best_margin_db.total_cmp(&b.1.best_margin_db))
            .map(|(kind, resolved)| {
                let (comparison, clip) = kind.of();
                Faintest { comparison, clip, margin_db: rounded(resolved.best_margin_db + level_db, 1) }
            })
    }

    /// Noise of the words, and how far the faintest difference stands out of it at this level.
    pub fn facts(&self, level_db: f64) -> WordFacts {
        WordFacts {
            word: self.word,
            noise_db: rounded(10.0 * (2.0 * self.word.noise_power()).log10(), 1),
            level_db: rounded(level_db, 1),
            faintest: self.least(level_db),
        }
    }
}

/// The difference that stands out of a word length's noise least.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faintest {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip.
    pub clip: usize,
    /// By how many dB it stands out of the noise in its strongest ERB band, at the level that it is played at.
    pub margin_db: f64,
}

impl Faintest {
    /// It stands out by less than the 10 dB that are wanted.
    pub fn could_be_hidden(&self) -> bool {
        self.margin_db < MARGIN_DB
    }
}

/// What a device's words make of the faintest difference under test, for the journal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WordFacts {
    /// The word length.
    pub word: WordLength,
    /// Level of its noise over the whole band, in dB relative to a full-scale sine.
    pub noise_db: f64,
    /// Level that the listener chose, in dB from the clips' own.
    pub level_db: f64,
    /// The faintest difference under test; `None` where all sides are identical.
    pub faintest: Option<Faintest>,
}

impl WordFacts {
    /// Whether the words could hide a difference.
    pub fn could_hide(&self) -> bool {
        self.faintest.is_some_and(|faintest| faintest.could_be_hidden())
    }

    /// The caution, with what to do, where the words could hide a difference.
    pub fn caution(&self, session: &Session) -> Option<String> {
        let Faintest { comparison, clip, margin_db } = self.faintest.filter(Faintest::could_be_hidden)?;
        let louder = if self.level_db < 0.0 { ", turn the level here up and the amplifier down" } else { "" };
        Some(format!(
            "the sound device's {} samples could hide the difference of \"{}\" on \"{}\": it stands {margin_db} out \
             of their noise in its strongest ERB band, and {wanted} are wanted; {}{louder}, or use a louder clip",
            self.word,
            session.comparisons[comparison].name.as_written(),
            session.clips[clip].name.as_written(),
            wider(self.word),
            margin_db = printed::fixed(margin_db, 0, "dB"),
            wanted = printed::fixed(MARGIN_DB, 0, "dB")
        ))
    }
}
