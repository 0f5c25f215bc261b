//! What a sound device resolves of the differences under test, as journals record it.

use serde::{Deserialize, Serialize};

use crate::clip::dither::WordLength;
use crate::stimulus::WordFacts;
use crate::stimulus::device_words::Faintest;

/// The difference under test that stands out of a device's noise least.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaintestFacts {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip in [`Terms::clips`](super::record::Terms::clips).
    pub clip: usize,
    /// By how many dB it stands out, in its strongest ERB band.
    pub margin_db: f64,
}

/// What a sound device resolves of the differences under test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResolutionFacts {
    /// Bits of a sample: 16, 24 or 32.
    pub bit_depth: u32,
    /// Level of its noise over the whole band, in dB relative to a full-scale sine.
    pub noise_db: f64,
    /// Level of every stimulus, in dB from the clips' own.
    pub level_db: f64,
    /// The faintest difference; `null` where all sides are identical.
    pub faintest: Option<FaintestFacts>,
}

impl From<WordFacts> for ResolutionFacts {
    fn from(facts: WordFacts) -> Self {
        Self {
            bit_depth: facts.word.bits().unwrap_or(32),
            noise_db: facts.noise_db,
            level_db: facts.level_db,
            faintest: facts.faintest.map(|Faintest { comparison, clip, margin_db }| FaintestFacts {
                comparison,
                clip,
                margin_db,
            }),
        }
    }
}

impl ResolutionFacts {
    /// The facts that it was made of; `None` if there is no such bit depth.
    pub fn facts(&self) -> Option<WordFacts> {
        let word = match self.bit_depth {
            16 => WordLength::Bits16,
            24 => WordLength::Bits24,
            32 => WordLength::Float32,
            _ => return None,
        };
        Some(WordFacts {
            word,
            noise_db: self.noise_db,
            level_db: self.level_db,
            faintest: self.faintest.map(|FaintestFacts { comparison, clip, margin_db }| Faintest {
                comparison,
                clip,
                margin_db,
            }),
        })
    }
}
