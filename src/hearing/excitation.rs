//! What a published model expects to be heard: two sounds are told apart when their excitation differs by 1 dB somewhere.
//!
//! An excitation pattern says how strongly each place along the inner ear is driven: the sum over the spectrum, weighted
//! by the auditory filter of that place. Sources: Glasberg & Moore 1990, Hearing Research 47:103 (rounded-exponential filters
//! whose lower skirt widens with level; the constants are from memory); the criterion of 1 dB is Zwicker's (Zwicker & Fastl,
//! Psychoacoustics: Facts and Models, chapter 7; from memory).
//!
//! Its limits: it looks at the long-term spectrum and not at moments, at level and not at phase, at one ear, and takes the
//! clip to be played at [`ASSUMED_LEVEL_DB`]. It predicts; only a blind test finds out.

use super::audible::{ASSUMED_LEVEL_DB, threshold_db};
use super::ear::Spectrum;
use super::weighting::{erb_frequency_hz, erb_hz, erb_number, k_weighting_power};

/// Difference in excitation in dB that is just heard (Zwicker).
pub const CRITERION_DB: f64 = 1.0;
/// Places per ERB.
const PLACES_PER_ERB: f64 = 4.0;
/// Lowest and highest place in Hz.
const PLACES_HZ: (f64, f64) = (50.0, 15_000.0);
/// Smallest part of its peak that a filter lets through and that is still summed.
const LEAST_WEIGHT: f64 = 1e-10;
/// Factors beyond which the model is not asked: smaller and larger sizes mean nothing.
const SIZES: (f64, f64) = (1e-3, 1e4);

/// The auditory filters of a clip at its places.
#[derive(Debug, Clone)]
pub struct Excitation {
    power: Vec<f64>,
    /// K-weighted power, for equal loudness.
    weighted: Vec<f64>,
    places: Vec<Place>,
}

#[derive(Debug, Clone)]
struct Place {
    centre_hz: f64,
    /// First band of the spectrum that the filter lets through, and the weights from there on.
    first: usize,
    weights: Vec<f64>,
}

/// Where the excitation of two sounds differs most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// A over B in dB.
    pub decibels: f64,
    /// Centre of the place in Hz.
    pub at_hz: f64,
}

/// What the model expects of sizes of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Expected {
    /// Just heard at this size, first at the place of this frequency in Hz.
    At(f64, f64),
    /// Not heard at any size up to this one.
    Above(f64),
}

impl Excitation {
    /// The filters of a clip whose spectrum this is; `None` if it is silent.
    ///
    /// A spectrum may be [coarser](Spectrum::coarser) than it was measured.
    pub fn of(spectrum: &Spectrum) -> Option<Self> {
        let total: f64 = spectrum.power.iter().sum();
        if total.is_nan() || total <= 0.0 {
            return None;
        }
        let (frequencies, power) = (&spectrum.frequency_hz, &spectrum.power);
        let level = |power: f64| ASSUMED_LEVEL_DB + 10.0 * (power / total).log10();
        // Level in dB in one ERB about each band: it widens the skirts of the filters above.
        let levels: Vec<f64> = frequencies
            .iter()
            .map(|centre| {
                let half = 0.5 * erb_hz(*centre);
                let from = frequencies.partition_point(|f| *f < centre - half);
                let to = frequencies.partition_point(|f| *f <= centre + half);
                level(power[from..to].iter().sum::<f64>()).max(0.0)
            })
            .collect();
        let nyquist = *frequencies.last()?;
        let (from, to) = (erb_number(PLACES_HZ.0), erb_number(PLACES_HZ.1.min(nyquist / 1.1)));
        let steps = ((to - from) * PLACES_PER_ERB).floor().max(0.0) as usize;
        let places = (0..=steps)
            .filter_map(|step| {
                let centre_hz = erb_frequency_hz(from + step as f64 / PLACES_PER_ERB);
                let all: Vec<f64> =
                    frequencies.iter().zip(&levels).map(|(f, level)| weight(centre_hz, *f, *level)).collect();
                let first = all.iter().position(|weight| *weight > LEAST_WEIGHT)?;
                let last = all.iter().rposition(|weight| *weight > LEAST_WEIGHT)?;
                let weights = all[first..=last].to_vec();
                let driven: f64 = weights.iter().zip(&power[first..]).map(|(weight, p)| weight * p).sum();
                (level(driven) > threshold_db(centre_hz)).then_some(Place { centre_hz, first, weights })
            })
            .collect::<Vec<_>>();
        let weighted = frequencies.iter().zip(power).map(|(f, p)| p * k_weighting_power(*f)).collect();
        Some(Self { power: power.clone(), weighted, places })
    }

    /// Where the excitation of two sides differs most, from the power gains of both in each bin of the spectrum; `matched`:
    /// after their loudness is made equal. `None` where nothing can be heard.
    pub fn change(&self, a: &[f64], b: &[f64], matched: bool) -> Option<Change> {
        let through =
            |gain: &[f64], power: &[f64]| -> f64 { power.iter().zip(gain).map(|(p, g)| p * g).sum() };
        let offset = if matched {
            10.0 * (through(a, &self.weighted) / through(b, &self.weighted)).log10()
        } else {
            0.0
        };
        let excite = |place: &Place, gain: &[f64]| -> f64 {
            let bands = self.power[place.first..].iter().zip(&gain[place.first..]);
            place.weights.iter().zip(bands).map(|(weight, (power, gain))| weight * power * gain).sum()
        };
        self.places
            .iter()
            .map(|place| Change {
                decibels: 10.0 * (excite(place, a) / excite(place, b)).log10() - offset,
                at_hz: place.centre_hz,
            })
            .filter(|change| change.decibels.is_finite())
            .reduce(|most, next| if next.decibels.abs() > most.decibels.abs() { next } else { most })
    }

    /// The size at which the model expects a difference to be just heard, where `at` gives the change at a size. It grows with
    /// the size, nearly in proportion, so a few steps find it.
    ///
    /// # Errors
    /// Those of `at`.
    pub fn expected<E>(mut at: impl FnMut(f64) -> Result<Option<Change>, E>) -> Result<Option<Expected>, E> {
        const CLOSE: f64 = 1e-3;
        let (mut inside, mut outside) = (SIZES.0, SIZES.1);
        let mut size = 1.0;
        for _ in 0..40 {
            let Some(change) = at(size)? else { return Ok(None) };
            let decibels = change.decibels.abs();
            if (decibels / CRITERION_DB - 1.0).abs() < CLOSE {
                return Ok(Some(Expected::At(size, change.at_hz)));
            }
            if decibels < CRITERION_DB {
                inside = size;
            } else {
                outside = size;
            }
            if inside >= SIZES.1 {
                break;
            }
            if outside / inside < 1.0 + CLOSE {
                return Ok(Some(Expected::At(size, change.at_hz)));
            }
            // In proportion where that stays between what is known, else half-way on the logarithm.
            let guess = size * CRITERION_DB / decibels;
            let sound = guess > inside && guess < outside;
            size = if sound {
                guess
            } else if decibels < CRITERION_DB && outside >= SIZES.1 {
                SIZES.1
            } else {
                (inside * outside).sqrt()
            };
        }
        Ok(Some(Expected::Above(SIZES.1)))
    }
}

/// What the auditory filter of a place lets through of a component at `frequency` with a level in dB in its ERB: the
/// rounded-exponential filter (1 + p g) exp(-p g) (Glasberg & Moore 1990).
fn weight(centre_hz: f64, frequency_hz: f64, level_db: f64) -> f64 {
    let upper = 4.0 * centre_hz / erb_hz(centre_hz);
    let p = if frequency_hz < centre_hz {
        let at_1khz = 4.0 * 1000.0 / erb_hz(1000.0);
        (upper - 0.35 * (upper / at_1khz) * (level_db - 51.0)).max(1.0)
    } else {
        upper
    };
    let pg = p * (frequency_hz - centre_hz).abs() / centre_hz;
    (1.0 + pg) * (-pg).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise() -> Spectrum {
        let frequency_hz: Vec<f64> = (0..8193).map(|bin| f64::from(bin) * 24_000.0 / 8192.0).collect();
        Spectrum { power: vec![1e-6; frequency_hz.len()], frequency_hz }
    }

    #[test]
    fn a_filter_lets_through_its_equivalent_rectangular_bandwidth_of_noise() {
        // The integral of both halves of roex(p) is 4 fc / p = ERB, at 51 dB in each ERB (Patterson & Moore).
        for centre in [500.0, 1000.0, 4000.0] {
            let step = 0.01 * erb_hz(centre);
            let sum: f64 = (1..200_000)
                .map(|index| f64::from(index) * step)
                .take_while(|f| *f < 3.0 * centre)
                .map(|f| weight(centre, f, 51.0) * step)
                .sum();
            assert!((sum / erb_hz(centre) - 1.0).abs() < 2e-3, "{centre}: {sum} {}", erb_hz(centre));
        }
        // Louder sounds spread upwards: 2 kHz hears more of 1 kHz at 80 dB than at 51 dB.
        assert!(weight(2000.0, 1000.0, 80.0) > 5.0 * weight(2000.0, 1000.0, 51.0));
    }

    #[test]
    fn a_step_in_level_is_heard_at_one_decibel_and_equal_loudness_takes_it_away() {
        for spectrum in [noise(), noise().coarser()] {
            let model = Excitation::of(&spectrum).expect("noise is no silence");
            let flat = |db: f64| vec![10.0_f64.powf(db / 10.0); spectrum.frequency_hz.len()];
            let change = model.change(&flat(0.06), &flat(0.0), false).expect("it is heard");
            assert!((change.decibels - 0.06).abs() < 1e-9);
            assert!(model.change(&flat(3.0), &flat(0.0), true).expect("heard").decibels.abs() < 1e-9);
            let found =
                Excitation::expected(|size| Ok::<_, ()>(model.change(&flat(0.06 * size), &flat(0.0), false)));
            let Ok(Some(Expected::At(size, _))) = found else { panic!("{found:?}") };
            assert!((size * 0.06 - 1.0).abs() < 2e-3, "{size}");
            let nothing = Excitation::expected(|_| Ok::<_, ()>(model.change(&flat(0.0), &flat(0.0), false)));
            assert_eq!(nothing, Ok(Some(Expected::Above(1e4))));
        }
    }

    #[test]
    fn a_narrow_peak_counts_by_the_power_that_its_filter_lets_through() {
        // One ERB about 1 kHz raised by 3 dB: by hand, half of a roex filter's area within +-ERB/2 is
        // 1 - (1 + 1) exp(-2) ... = 2 [1 - (2 + 2) exp(-2) / 2] / 2 = 0.7293 of all.
        let spectrum = noise();
        let model = Excitation::of(&spectrum).expect("noise");
        let half = 0.5 * erb_hz(1000.0);
        let inside = 1.0 - (2.0 + 2.0) * (-2.0_f64).exp() / 2.0;
        let raised: Vec<f64> = spectrum
            .frequency_hz
            .iter()
            .map(|f| if (f - 1000.0).abs() <= half { 10.0_f64.powf(0.3) } else { 1.0 })
            .collect();
        let flat = vec![1.0; raised.len()];
        let change = model.change(&raised, &flat, false).expect("heard");
        let expected = 10.0 * (1.0 + inside * (10.0_f64.powf(0.3) - 1.0)).log10();
        // The skirt on the lower side is as wide as at the level of this noise, not at 51 dB.
        assert!((change.decibels - expected).abs() < 0.15, "{change:?} {expected}");
        assert!((change.at_hz - 1000.0).abs() < erb_hz(1000.0), "{change:?}");
    }

    #[test]
    fn what_lies_under_the_threshold_of_hearing_counts_for_nothing() {
        let mut spectrum = noise();
        // All at 1 kHz, and at 15 kHz a whisper 90 dB below.
        for (frequency, power) in spectrum.frequency_hz.iter().zip(&mut spectrum.power) {
            let near = |hz: f64| (frequency - hz).abs() < 20.0;
            *power = if near(1000.0) {
                1.0
            } else if near(14_000.0) {
                1e-9
            } else {
                0.0
            };
        }
        let model = Excitation::of(&spectrum).expect("a tone");
        let gain: Vec<f64> =
            spectrum.frequency_hz.iter().map(|f| if *f > 10_000.0 { 10.0 } else { 1.0 }).collect();
        let change = model.change(&gain, &vec![1.0; gain.len()], false).expect("a tone is heard");
        assert!(change.decibels.abs() < 0.01, "{change:?}");
        let silent = Spectrum { power: vec![0.0; 100], frequency_hz: (0..100).map(f64::from).collect() };
        assert!(Excitation::of(&silent).is_none());
    }
}
