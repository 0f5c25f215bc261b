//! What a sound device's word length makes of the differences under test.
//!
//! Comes in: the stimuli and the format that was negotiated. Goes out: facts for the journal, which can be read back from
//! it, and a caution where the words could hide a difference. Levels in dB relative to a full-scale sine. Must not know:
//! draws.

use std::fmt;
use std::str::FromStr;

use super::resolution::{BandLevels, MARGIN_DB, Resolved, bands, resolve};
use super::{PairDifference, PairKind, StimulusSet};
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
    pub fn of(stimuli: &StimulusSet, format: &str) -> Self {
        let differences = stimuli
            .pairs
            .iter()
            .filter(|pair| matches!(pair.kind, PairKind::Comparison { .. }))
            .map(|pair| Difference { kind: pair.kind, rate_hz: pair.a.rate_hz, bands: bands(pair) })
            .collect();
        Self { word: WordLength::Float32, pairs: Vec::new(), differences }.in_format(format)
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
                let (PairKind::Comparison { comparison, clip } | PairKind::Control { comparison, clip, .. }) =
                    *kind;
                Faintest { comparison, clip, margin_db: tenths(resolved.best_margin_db + level_db) }
            })
    }

    /// Whether the words could hide a difference at this level.
    pub fn could_hide(&self, level_db: f64) -> bool {
        self.facts(level_db).could_hide()
    }

    /// Noise of the words, and how far the faintest difference stands out of it at this level.
    pub fn facts(&self, level_db: f64) -> WordFacts {
        WordFacts {
            word: self.word,
            noise_db: tenths(10.0 * (2.0 * self.word.noise_power()).log10()),
            level_db: tenths(level_db),
            faintest: self.least(level_db),
        }
    }
}

/// To a tenth of a dB: what is written is what is judged.
fn tenths(value: f64) -> f64 {
    // Plus zero: no "-0.0" is written.
    (value * 10.0).round() / 10.0 + 0.0
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

/// What a journal holds of a device's words: one sentence of less than 200 letters, written by `Display` and read back by
/// `FromStr`. Comparison and clip are their numbers in the session, from 1, for names may be long.
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
            "the sound device's {} words could hide the difference of \"{}\" on \"{}\": it stands {margin_db:.0} dB out \
             of their noise in its strongest ERB band, and {MARGIN_DB:.0} dB are wanted; {}{louder}, or use a louder clip",
            name(self.word),
            session.comparisons[comparison].name,
            session.clips[clip].name,
            wider(self.word),
        ))
    }
}

impl fmt::Display for WordFacts {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { word, noise_db, level_db, faintest } = self;
        write!(formatter, "{} words, noise {noise_db:.1} dB; at {level_db:.1} dB ", name(*word))?;
        match faintest {
            None => formatter.write_str(NOTHING),
            Some(Faintest { comparison, clip, margin_db }) => write!(
                formatter,
                "{FAINTEST}{}, clip {}) stands {margin_db:.1}{OUT}",
                comparison + 1,
                clip + 1
            ),
        }
    }
}

const NOTHING: &str = "there is nothing to resolve: the sides are identical";
const FAINTEST: &str = "the faintest difference under test (comparison ";
const OUT: &str = " dB out of it in its strongest ERB band";

/// A text that is no such sentence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is no sentence about a device's word length")]
pub struct NoWordFacts;

impl FromStr for WordFacts {
    type Err = NoWordFacts;

    fn from_str(text: &str) -> Result<Self, NoWordFacts> {
        read(text).ok_or(NoWordFacts)
    }
}

fn read(text: &str) -> Option<WordFacts> {
    let number = |text: &str| text.parse().ok().filter(|value: &f64| value.is_finite());
    let index = |text: &str| text.parse::<usize>().ok()?.checked_sub(1);
    let (words, rest) = text.split_once(" words, noise ")?;
    let word = [WordLength::Bits16, WordLength::Bits24, WordLength::Float32]
        .into_iter()
        .find(|word| name(*word) == words)?;
    let (noise, rest) = rest.split_once(" dB; at ")?;
    let (level, rest) = rest.split_once(" dB ")?;
    let faintest = if rest == NOTHING {
        None
    } else {
        let (comparison, rest) = rest.strip_prefix(FAINTEST)?.split_once(", clip ")?;
        let (clip, margin) = rest.strip_suffix(OUT)?.split_once(") stands ")?;
        Some(Faintest { comparison: index(comparison)?, clip: index(clip)?, margin_db: number(margin)? })
    };
    Some(WordFacts { word, noise_db: number(noise)?, level_db: number(level)?, faintest })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn what_is_noted_can_be_read_back(
            word in prop_oneof![Just(WordLength::Bits16), Just(WordLength::Bits24), Just(WordLength::Float32)],
            (noise, level, margin) in (-2000..0_i32, -900..1_i32, -3000..3000_i32),
            faintest in proptest::option::of((0..100_usize, 0..100_usize)),
        ) {
            let facts = WordFacts {
                word,
                noise_db: f64::from(noise) / 10.0,
                level_db: f64::from(level) / 10.0,
                faintest: faintest.map(|(comparison, clip)| Faintest {
                    comparison,
                    clip,
                    margin_db: f64::from(margin) / 10.0,
                }),
            };
            let text = facts.to_string();
            prop_assert!(text.chars().count() < 200, "{}", text);
            prop_assert_eq!(text.parse::<WordFacts>(), Ok(facts));
        }

        #[test]
        fn other_notes_are_no_facts(text in ".{0,120}") {
            prop_assert_eq!(text.parse::<WordFacts>(), Err(NoWordFacts));
        }
    }

    #[test]
    fn a_broken_sentence_is_refused_and_not_guessed() {
        let good = "16-bit words, noise -93.3 dB; at -20.0 dB the faintest difference under test (comparison 1, clip 2) \
                    stands 13.4 dB out of it in its strongest ERB band";
        assert!(good.parse::<WordFacts>().is_ok());
        for (from, to) in [
            ("16-bit", "17-bit"),
            ("-93.3", "NaN"),
            ("-20.0", "loud"),
            ("comparison 1", "comparison 0"),
            ("clip 2", "clip -2"),
            ("13.4", "inf"),
            ("ERB band", "ERB band, perhaps"),
        ] {
            let text = good.replace(from, to);
            assert_eq!(text.parse::<WordFacts>(), Err(NoWordFacts), "{text}");
        }
    }
}
