//! What a word length resolves: the size of a difference against the noise floor, in bands as wide as the ear's.
//!
//! Bands are one equivalent rectangular bandwidth wide and stand next to each other on the scale of ERB numbers
//! (Glasberg & Moore 1990, Hearing Research 47:103).

use super::{BLOCK_FRAMES, Pair, StimulusError};
use crate::clip::dither::WordLength;
use crate::clip::welch::Welch;
use crate::hearing::weighting::{erb_frequency_hz, erb_number};

/// Frames per spectrum.
const FRAME: usize = 8192;
/// A difference less than this above the noise in its strongest band is in danger of being hidden.
pub const MARGIN_DB: f64 = 10.0;

/// Levels in one band, in dB relative to a full-scale sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandLevels {
    /// Lower edge in Hz.
    pub from_hz: f64,
    /// Upper edge in Hz.
    pub to_hz: f64,
    /// Level of side A.
    pub signal_db: f64,
    /// Level of A minus B, sample by sample.
    pub difference_db: f64,
}

/// What a word length makes of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolved {
    /// The word length.
    pub word: WordLength,
    /// Level of its noise over the whole band, in dB relative to a full-scale sine.
    pub noise_db: f64,
    /// Bands with a difference at all.
    pub bands: usize,
    /// Of these, bands whose difference lies below the noise.
    pub bands_below: usize,
    /// Largest difference over noise in any band, in dB; negative infinity where there is no difference.
    pub best_margin_db: f64,
    /// The band of that; `None` where there is no difference.
    pub strongest: Option<BandLevels>,
    /// There is a difference, and nowhere does it stand out of the noise by 10 dB: the word length could hide it.
    pub could_hide: bool,
}

/// Level of a power relative to a full-scale sine, whose power is one half.
fn sine_db(power: f64) -> f64 {
    10.0 * (2.0 * power).log10()
}

/// Gathers the levels of a pair, block by block.
#[derive(Debug)]
pub(super) struct PairSpectra {
    rate_hz: u32,
    signal: Welch,
    difference: Welch,
    minus: Vec<Vec<f64>>,
}

impl PairSpectra {
    pub(super) fn new(channels: usize, rate_hz: u32) -> Self {
        let welch = || Welch::new(channels, FRAME);
        Self { rate_hz, signal: welch(), difference: welch(), minus: vec![Vec::new(); channels] }
    }

    /// Takes a block of both sides, `planes[channel][frame]`, as it is played.
    pub(super) fn push(&mut self, a: &[Vec<f64>], b: &[Vec<f64>]) {
        let Self { signal, difference, minus, .. } = self;
        rayon::join(
            || signal.push(&a.iter().map(Vec::as_slice).collect::<Vec<_>>()),
            || {
                for ((minus, a), b) in minus.iter_mut().zip(a).zip(b) {
                    minus.clear();
                    minus.extend(a.iter().zip(b).map(|(a, b)| a - b));
                }
                difference.push(&minus.iter().map(Vec::as_slice).collect::<Vec<_>>());
            },
        );
    }

    /// Levels in ERB-wide bands from 20 Hz to 20 kHz (or half the rate).
    pub(super) fn finish(self) -> Vec<BandLevels> {
        let rate = f64::from(self.rate_hz);
        let (signal, difference) = (self.signal.finish(), self.difference.finish());
        let highest = 20_000_f64.min(rate / 2.0);
        let (first, last) = (erb_number(20.0), erb_number(highest));
        let count = (last - first).floor().max(1.0) as usize;
        let edge = |i: usize| erb_frequency_hz(first + (last - first) * i as f64 / count as f64);
        let bin = rate / FRAME as f64;
        // A band narrower than a bin takes its share of the bin.
        let within = |power: &[f64], from: f64, to: f64| -> f64 {
            let bins = (from / bin).floor() as usize..=((to / bin).ceil() as usize).min(power.len() - 1);
            bins.map(|k| {
                let (low, high) = ((k as f64 - 0.5) * bin, (k as f64 + 0.5) * bin);
                power[k] * ((high.min(to) - low.max(from)).max(0.0) / bin)
            })
            .sum()
        };
        (0..count)
            .map(|i| {
                let (from_hz, to_hz) = (edge(i), edge(i + 1));
                BandLevels {
                    from_hz,
                    to_hz,
                    signal_db: sine_db(within(&signal, from_hz, to_hz)),
                    difference_db: sine_db(within(&difference, from_hz, to_hz)),
                }
            })
            .collect()
    }
}

/// Levels of a pair in ERB-wide bands from 20 Hz to 20 kHz (or half the rate).
///
/// # Errors
/// The stimuli cannot be read back.
pub fn bands(pair: &Pair) -> Result<Vec<BandLevels>, StimulusError> {
    let channels = usize::from(pair.a.channels);
    let mut spectra = PairSpectra::new(channels, pair.a.rate_hz);
    let block = 2 * FRAME * channels;
    let mut push = |a: &[f32], b: &[f32]| {
        for (a, b) in a.chunks(block).zip(b.chunks(block)) {
            let planes = |samples: &[f32]| -> Vec<Vec<f64>> {
                let plane =
                    |channel| samples.iter().skip(channel).step_by(channels).map(|x| f64::from(*x)).collect();
                (0..channels).map(plane).collect()
            };
            spectra.push(&planes(a), &planes(b));
        }
    };
    if pair.a.is_long() && pair.b.is_long() {
        for number in 0..pair.a.frames.min(pair.b.frames).div_ceil(BLOCK_FRAMES) {
            push(&pair.a.block(number)?, &pair.b.block(number)?);
        }
    } else {
        push(&pair.a.sound()?.samples, &pair.b.sound()?.samples);
    }
    Ok(spectra.finish())
}

/// Level of a word length's noise in a band, in dB relative to a full-scale sine. The noise of dither is white.
pub fn noise_in_band(word: WordLength, rate_hz: u32, from_hz: f64, to_hz: f64) -> f64 {
    sine_db(word.noise_power() * (to_hz - from_hz) / (f64::from(rate_hz) / 2.0))
}

/// Holds a pair's difference against the noise of a word length.
pub fn resolve(bands: &[BandLevels], word: WordLength, rate_hz: u32) -> Resolved {
    let margins: Vec<(f64, &BandLevels)> = bands
        .iter()
        .filter(|band| band.difference_db.is_finite())
        .map(|band| (band.difference_db - noise_in_band(word, rate_hz, band.from_hz, band.to_hz), band))
        .collect();
    let strongest = margins.iter().max_by(|a, b| a.0.total_cmp(&b.0));
    let best = strongest.map_or(f64::NEG_INFINITY, |(margin, _)| *margin);
    Resolved {
        word,
        noise_db: sine_db(word.noise_power()),
        bands: margins.len(),
        bands_below: margins.iter().filter(|(margin, _)| *margin < 0.0).count(),
        best_margin_db: best,
        strongest: strongest.map(|(_, band)| **band),
        could_hide: strongest.is_some() && best < MARGIN_DB,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::clip::Playable;
    use crate::clip::dither::Dither;
    use crate::stimulus::PairKind;

    fn pair(a: Vec<f32>, b: Vec<f32>) -> Pair {
        let playable =
            |samples: Vec<f32>| Playable { rate_hz: 48_000, channels: 1, samples: Arc::from(samples) };
        Pair {
            kind: PairKind::Comparison { comparison: 0, clip: 0 },
            a: playable(a).into(),
            b: playable(b).into(),
            digest_a: [0; 32],
            digest_b: [0; 32],
        }
    }

    fn levels(pair: &Pair) -> Vec<BandLevels> {
        bands(pair).expect("in memory")
    }

    #[test]
    fn a_sine_has_its_level_in_its_band() {
        let sine: Vec<f32> = (0..48_000).map(|i| (f64::from(i) * 0.131).sin() as f32).collect();
        let bands = levels(&pair(sine.clone(), sine.iter().map(|sample| sample * 0.99).collect()));
        let frequency = 0.131 * 48_000.0 / std::f64::consts::TAU;
        let band =
            bands.iter().find(|band| band.from_hz <= frequency && frequency < band.to_hz).expect("a band");
        assert!(band.signal_db.abs() < 0.2, "{band:?}");
        assert!((band.difference_db + 40.0).abs() < 0.2, "{band:?}");
        assert!((36..=42).contains(&bands.len()), "{}", bands.len());
    }

    #[test]
    fn dither_noise_is_where_it_is_said_to_be() {
        let dither = Dither::new(1);
        let step = 2.0_f64.powi(-15);
        let noise = (0..96_000).map(|n| (f64::from(dither.quantise(0.0, 16, 0, n)) * step) as f32).collect();
        let bands = levels(&pair(vec![0.0; 96_000], noise));
        for band in bands.iter().filter(|band| band.from_hz > 500.0) {
            let expected = noise_in_band(WordLength::Bits16, 48_000, band.from_hz, band.to_hz);
            assert!((band.difference_db - expected).abs() < 1.0, "{band:?} {expected}");
        }
    }

    #[test]
    fn a_small_difference_is_hidden_by_16_bits_and_not_by_24() {
        let sound: Vec<f32> = (0..48_000).map(|i| (f64::from(i) * 0.1).sin() as f32 * 0.001).collect();
        let other = sound.iter().map(|sample| sample * 1.002).collect();
        let bands = levels(&pair(sound.clone(), other));
        assert!(resolve(&bands, WordLength::Bits16, 48_000).could_hide);
        assert!(!resolve(&bands, WordLength::Bits24, 48_000).could_hide);
        let same = levels(&pair(sound.clone(), sound));
        let resolved = resolve(&same, WordLength::Bits16, 48_000);
        assert!(!resolved.could_hide && resolved.bands == 0, "no difference is not hidden");
    }
}
