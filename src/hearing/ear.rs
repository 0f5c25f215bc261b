//! How large the difference of two sides is to an ear, on one clip.

use realfft::RealFftPlanner;

use super::weighting::{erb_frequency_hz, erb_hz, erb_number, just_noticeable_db, k_weighting_power};
use crate::circuit::{Chain, CircuitError};
use crate::clip::Sound;

/// Length of one piece of the long-term spectrum in frames: 21 ms at 48 kHz would be too coarse for the lowest bands.
const PIECE: usize = 16_384;
/// Bands more than this many dB below the clip's strongest are not looked at: little of them is heard.
const RANGE_DB: f64 = 60.0;
/// Lowest and highest band centre in Hz.
const BANDS_HZ: (f64, f64) = (50.0, 16_000.0);

/// Long-term power spectrum of a clip, all channels together.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Centre of each bin in Hz, evenly spaced from 0 Hz.
    pub frequency_hz: Vec<f64>,
    /// Power of each bin, full scale squared, up to a common factor.
    pub power: Vec<f64>,
}

impl Spectrum {
    /// Of a sound, by averaged Hann-windowed pieces that overlap by half (Welch 1967, IEEE Trans. AU 15:70); a shorter
    /// sound is one piece with silence behind it.
    pub fn of(sound: &Sound) -> Self {
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(PIECE);
        let mut power = vec![0.0; PIECE / 2 + 1];
        let window: Vec<f64> =
            (0..PIECE).map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / PIECE as f64).cos()).collect();
        let (mut input, mut output) = (plan.make_input_vec(), plan.make_output_vec());
        for channel in &sound.channels {
            let mut start = 0;
            loop {
                let piece = &channel[start.min(channel.len())..(start + PIECE).min(channel.len())];
                input.fill(0.0);
                for ((value, sample), weight) in input.iter_mut().zip(piece).zip(&window) {
                    *value = sample * weight;
                }
                plan.process(&mut input, &mut output).expect("buffers are of the plan's own length");
                for (sum, value) in power.iter_mut().zip(&output) {
                    *sum += value.norm_sqr();
                }
                start += PIECE / 2;
                if start + PIECE > channel.len() {
                    break;
                }
            }
        }
        let step = f64::from(sound.rate_hz) / PIECE as f64;
        Self { frequency_hz: (0..power.len()).map(|bin| bin as f64 * step).collect(), power }
    }
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
}

impl OnClip {
    /// From both chains and the clip's spectrum; `None` if the clip is silent.
    pub fn between(a: &Chain, b: &Chain, spectrum: &Spectrum) -> Result<Option<Self>, CircuitError> {
        let gains = |chain: &Chain| -> Result<Vec<f64>, CircuitError> {
            Ok(chain.transfer(&spectrum.frequency_hz)?.iter().map(num_complex::Complex64::norm_sqr).collect())
        };
        Ok(Self::of(&gains(a)?, &gains(b)?, spectrum))
    }

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
        let strongest = bands.iter().map(|band| band.1).fold(0.0, f64::max);
        let heard = |band: &&(f64, f64, f64)| band.1 >= strongest * 10_f64.powf(-RANGE_DB / 10.0);
        let largest = |offset: f64| {
            bands
                .iter()
                .filter(heard)
                .map(|band| (band.2 - offset, band.0))
                .reduce(|best, next| if next.0.abs() > best.0.abs() { next } else { best })
        };
        let (band_db, band_hz) = largest(0.0)?;
        let (matched_band_db, matched_band_hz) = largest(loudness_db)?;
        Some(Self { loudness_db, band_db, band_hz, matched_band_db, matched_band_hz })
    }

    /// One sentence that does not promise more than is known.
    pub fn sentence(&self) -> String {
        let (loud, soft) = (just_noticeable_db(80.0), just_noticeable_db(40.0));
        let size = self.band_db.abs();
        let place = if size < 0.5 * loud {
            "well below"
        } else if size < loud {
            "below"
        } else if size <= soft {
            "within"
        } else {
            "above"
        };
        format!(
            "On this clip the sides differ most around {:.0} Hz, by {:.3} dB in a band as wide as an auditory filter; that \
             is {place} the {loud:.2} dB to {soft:.2} dB at which single tones 80 dB to 40 dB above threshold were just \
             told apart (Jesteadt, Wier & Green 1977). Music and people differ from tones and averages: only a blind test \
             can say whether somebody hears it.",
            self.band_hz, size
        )
    }
}
