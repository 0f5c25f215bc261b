//! How large the difference of two sides is to an ear, on one clip.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::Arc;

use super::audible::sensation_levels_db;
use super::weighting::{erb_frequency_hz, erb_hz, erb_number, just_noticeable_db, k_weighting_power};
use crate::circuit::{Chain, CircuitError};
use crate::clip::welch::Welch;
use crate::clip::{ClipError, ClipSource, OpenClip};
use crate::units::printed;

/// Length of one piece of the long-term spectrum in frames: 21 ms at 48 kHz would be too coarse for the lowest bands.
const PIECE: usize = 16_384;
/// Sensation levels in dB of the just noticeable steps that were measured (Jesteadt, Wier & Green 1977): a band that stands
/// out by less is not looked at.
const MEASURED_DB: (f64, f64) = (5.0, 80.0);
/// Frequencies in Hz of the same data.
const MEASURED_HZ: (f64, f64) = (200.0, 8000.0);
/// Lowest and highest band centre in Hz.
const BANDS_HZ: (f64, f64) = (50.0, 16_000.0);

/// Long-term power spectrum of a clip, all channels together.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Centre of each bin in Hz, evenly spaced from 0 Hz.
    pub frequency_hz: Vec<f64>,
    /// Mean square of each bin, full scale squared.
    pub power: Vec<f64>,
}

impl Spectrum {
    /// Of a whole clip, read block by block, so that a long one needs no more memory than a short one.
    ///
    /// # Errors
    /// The clip cannot be read to its end.
    pub fn read(source: &ClipSource) -> Result<Self, ClipError> {
        let clip = OpenClip::open(source)?;
        let mut welch = Welch::new(usize::from(clip.info().channels), PIECE);
        let mut reader = clip.reader()?;
        let mut planes = Vec::new();
        loop {
            reader.read_into(4 * PIECE, &mut planes)?;
            if planes.first().is_none_or(Vec::is_empty) {
                return Ok(Self::finish(welch, clip.info().rate_hz));
            }
            welch.push(&planes.iter().map(Vec::as_slice).collect::<Vec<_>>());
        }
    }

    fn finish(welch: Welch, rate_hz: u32) -> Self {
        let power = welch.finish();
        let step = f64::from(rate_hz) / PIECE as f64;
        Self { frequency_hz: (0..power.len()).map(|bin| bin as f64 * step).collect(), power }
    }

    /// The same in bands of a twentieth of an ERB, or of one bin where that is wider: enough for an ear, and a chain is
    /// solved at a tenth of the frequencies.
    #[must_use]
    pub fn coarser(&self) -> Self {
        const BANDS_PER_ERB: f64 = 20.0;
        let band = |frequency: &f64| (erb_number(*frequency) * BANDS_PER_ERB) as usize;
        let mut coarse = Self { frequency_hz: Vec::new(), power: Vec::new() };
        for bins in (0..self.power.len())
            .collect::<Vec<_>>()
            .chunk_by(|one, next| band(&self.frequency_hz[*one]) == band(&self.frequency_hz[*next]))
        {
            coarse.power.push(bins.iter().map(|bin| self.power[*bin]).sum());
            let sum: f64 = bins.iter().map(|bin| self.frequency_hz[*bin]).sum();
            coarse.frequency_hz.push(sum / bins.len() as f64);
        }
        coarse
    }
}

/// Power gains of chains in the bins of spectra, each worked out once: a cable of many conductors takes seconds.
#[derive(Debug, Default)]
struct PowerGains(BTreeMap<(usize, u64), Arc<[f64]>>);

impl PowerGains {
    /// Power gains in each bin of `spectrum` of the chain that the caller gives this number.
    ///
    /// # Errors
    /// The chain cannot be solved.
    fn of(&mut self, number: usize, chain: &Chain, spectrum: &Spectrum) -> Result<Arc<[f64]>, CircuitError> {
        // The bins of all spectra are evenly spaced and equally many: the last tells them all.
        let key = (number, spectrum.frequency_hz.last().copied().unwrap_or(0.0).to_bits());
        if let Some(gains) = self.0.get(&key) {
            return Ok(Arc::clone(gains));
        }
        let response = chain.transfer(&spectrum.frequency_hz)?;
        let gains: Arc<[f64]> = response.iter().map(num_complex::Complex64::norm_sqr).collect();
        self.0.insert(key, Arc::clone(&gains));
        Ok(gains)
    }
}

/// Why a difference on a clip cannot be worked out.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EarError {
    /// The clip cannot be read.
    #[error(transparent)]
    Clip(#[from] ClipError),
    /// A chain cannot be solved.
    #[error(transparent)]
    Circuit(#[from] CircuitError),
}

/// Differences on clips, where each clip is read once, each chain solved once and each pair of chains compared once.
#[derive(Debug, Default)]
pub struct Ears {
    spectra: BTreeMap<usize, Spectrum>,
    gains: PowerGains,
    found: BTreeMap<[usize; 3], Option<OnClip>>,
}

impl Ears {
    /// The difference of two chains on a clip, each with the number that the caller gives it; `None` if the clip is silent.
    ///
    /// # Errors
    /// The clip cannot be read, a chain cannot be solved.
    pub fn on_clip(
        &mut self,
        clip: (usize, &ClipSource),
        a: (usize, &Chain),
        b: (usize, &Chain),
    ) -> Result<Option<OnClip>, EarError> {
        let key = [clip.0, a.0, b.0];
        if let Some(found) = self.found.get(&key) {
            return Ok(found.clone());
        }
        let spectrum = spectrum(&mut self.spectra, clip)?;
        let of_a = self.gains.of(a.0, a.1, spectrum)?;
        let of_b = self.gains.of(b.0, b.1, spectrum)?;
        let found = OnClip::of(&of_a, &of_b, spectrum);
        self.found.insert(key, found.clone());
        Ok(found)
    }

    /// The long-term spectrum of a clip.
    ///
    /// # Errors
    /// The clip cannot be read.
    pub fn spectrum(&mut self, clip: (usize, &ClipSource)) -> Result<&Spectrum, EarError> {
        spectrum(&mut self.spectra, clip)
    }
}

fn spectrum<'s>(
    known: &'s mut BTreeMap<usize, Spectrum>,
    clip: (usize, &ClipSource),
) -> Result<&'s Spectrum, EarError> {
    Ok(match known.entry(clip.0) {
        Entry::Occupied(known) => known.into_mut(),
        Entry::Vacant(place) => place.insert(Spectrum::read(clip.1)?),
    })
}

/// A band whose difference is held against the just noticeable step of a tone as far above its threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// Difference of A minus B in the band in dB.
    pub difference_db: f64,
    /// Centre of the band in Hz.
    pub centre_hz: f64,
    /// How far the band stands out of what hides it, in dB, at [`super::audible::ASSUMED_LEVEL_DB`].
    pub stands_out_db: f64,
    /// The just noticeable step of a pure tone so far above its threshold, in dB.
    pub step_db: f64,
}

/// The difference of A and B on one clip, in numbers an ear can be asked about.
#[derive(Debug, Clone, PartialEq)]
pub struct OnClip {
    /// K-weighted loudness of A minus that of B in dB (ITU-R BS.1770 weighting, without its gates).
    pub loudness_db: f64,
    /// Largest difference of A minus B in one band as wide as an auditory filter, in dB.
    pub band_db: f64,
    /// Centre of that band in Hz.
    pub band_hz: f64,
    /// The same after the loudness difference is taken away.
    pub matched_band_db: f64,
    /// Centre of that band in Hz.
    pub matched_band_hz: f64,
    /// The band in which the difference is nearest to being heard, or furthest beyond; `None` where no band that stands out
    /// lies within the data.
    pub nearest: Option<Nearest>,
    /// The same after the loudness difference is taken away.
    pub matched_nearest: Option<Nearest>,
}

/// Note 1 of [`OnClip::sentence`]: where the steps come from. Said once, below all sentences.
pub const STEPS_NOTE: &str = "[1] Steps in level just heard in a pure tone, 71 % right, 200 Hz to 8 kHz: Jesteadt, Wier & Green 1977. How far a \
                              band stands out of the threshold of hearing and of what louder bands hide, played at 80 dB SPL: ISO 226; \
                              Schroeder, Atal & Hall 1979.";

impl OnClip {
    /// From the power gains of A and B in each bin of the spectrum; `None` if the clip is silent.
    pub fn of(a: &[f64], b: &[f64], spectrum: &Spectrum) -> Option<Self> {
        let (mut loud_a, mut loud_b) = (0.0, 0.0);
        for (index, (frequency, power)) in spectrum.frequency_hz.iter().zip(&spectrum.power).enumerate() {
            let weighted = power * k_weighting_power(*frequency);
            loud_a += weighted * a[index];
            loud_b += weighted * b[index];
        }
        if !(loud_a > 0.0 && loud_b > 0.0) {
            return None;
        }
        let loudness_db = 10.0 * (loud_a / loud_b).log10();
        let nyquist = *spectrum.frequency_hz.last()?;
        let top = erb_number(BANDS_HZ.1.min(nyquist / 1.1));
        let mut bands = Vec::new();
        let mut number = erb_number(BANDS_HZ.0);
        while number <= top {
            let centre = erb_frequency_hz(number);
            let half = 0.5 * erb_hz(centre);
            let from = spectrum.frequency_hz.partition_point(|f| *f < centre - half);
            let to = spectrum.frequency_hz.partition_point(|f| *f <= centre + half);
            let sum = |gain: &[f64]| (from..to).map(|bin| spectrum.power[bin] * gain[bin]).sum::<f64>();
            let (in_a, in_b) = (sum(a), sum(b));
            if in_a > 0.0 && in_b > 0.0 {
                bands.push((centre, in_b, 10.0 * (in_a / in_b).log10()));
            }
            number += 0.5;
        }
        let total: f64 = spectrum.power.iter().zip(b).map(|(power, gain)| power * gain).sum();
        let levels: Vec<(f64, f64)> = bands.iter().map(|band| (band.0, band.1)).collect();
        let stands_out = sensation_levels_db(&levels, total);
        let heard = |(_, level): &(&(f64, f64, f64), &f64)| **level >= MEASURED_DB.0;
        let largest = |offset: f64| {
            bands
                .iter()
                .zip(&stands_out)
                .filter(heard)
                .map(|(band, _)| (band.2 - offset, band.0))
                .reduce(|best, next| if next.0.abs() > best.0.abs() { next } else { best })
        };
        let nearest = |offset: f64| {
            bands
                .iter()
                .zip(&stands_out)
                .filter(heard)
                .filter(|(band, _)| (MEASURED_HZ.0..=MEASURED_HZ.1).contains(&band.0))
                .map(|(band, level)| Nearest {
                    difference_db: band.2 - offset,
                    centre_hz: band.0,
                    stands_out_db: *level,
                    step_db: just_noticeable_db(level.min(MEASURED_DB.1)),
                })
                .max_by(|a, b| {
                    (a.difference_db.abs() / a.step_db).total_cmp(&(b.difference_db.abs() / b.step_db))
                })
        };
        let (band_db, band_hz) = largest(0.0)?;
        let (matched_band_db, matched_band_hz) = largest(loudness_db)?;
        Some(Self {
            loudness_db,
            band_db,
            band_hz,
            matched_band_db,
            matched_band_hz,
            nearest: nearest(0.0),
            matched_nearest: nearest(loudness_db),
        })
    }

    /// The numbers in one line: loudness, largest band, and what is left of it at equal loudness.
    pub fn numbers(&self) -> String {
        format!(
            "K-weighted level A minus B {}; largest in one auditory band {} at {}, with equal \
             loudness {} at {}",
            printed::signed_decibels(self.loudness_db),
            printed::signed_decibels(self.band_db),
            printed::hertz(self.band_hz),
            printed::signed_decibels(self.matched_band_db),
            printed::hertz(self.matched_band_hz)
        )
    }

    /// One sentence that does not promise more than is known, about the sides as they are played: as wired, or
    /// `matched` to equal loudness.
    pub fn sentence(&self, matched: bool) -> String {
        let levels = if matched { ", at equal loudness" } else { "" };
        let nearest = if matched { self.matched_nearest } else { self.nearest };
        let Some(Nearest { difference_db, centre_hz, stands_out_db, step_db }) = nearest else {
            return format!(
                "On this clip{levels} nothing from 200 Hz to 8 kHz stands out enough to be held against what listeners hear [1]. \
                 Only a blind test can tell."
            );
        };
        let size = difference_db.abs();
        let place = if size < 0.5 * step_db {
            "well below"
        } else if size < step_db {
            "below"
        } else {
            "above"
        };
        format!(
            "Nearest to being heard on this clip{levels}: {size} around {centre_hz}. That is {place} the {step_db} that listeners need \
             in a pure tone that stands out as far, by {stands_out_db} [1]. Music is not pure tones: only a blind test can tell.",
            size = printed::decibels(size),
            centre_hz = printed::hertz(centre_hz),
            step_db = printed::decibels(step_db),
            stands_out_db = printed::fixed(stands_out_db, 0, "dB")
        )
    }
}
