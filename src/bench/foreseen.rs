//! What the circuit predicts that two recordings leave of each other: the part that a null test should leave by itself.

use num_complex::Complex64;

use super::BenchError;
use super::null::{BAND_HZ, WINDOW, bins, decibels, highest, power};
use super::recording::Channel;
use crate::clip::parked::Samples;
use crate::filter::Sampled;
use crate::hearing::weighting::erb_edges;
use crate::stats::special::peak;

/// The delay that nulls best is looked for within so many samples, in so many steps, then by the golden section.
const REACH: f64 = 2.0;
const STEPS: usize = 80;

/// What should be left.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreseen {
    /// Residual relative to the first recording, 20 Hz to 20 kHz, in dB.
    pub residual_db: f64,
    /// The same in the bands of a [null](super::null::Null), in the same order; `None` where the recording is silent.
    pub bands: Vec<Option<f64>>,
}

/// Transfer of one side over that of the other, at frequencies in Hz.
pub type Ratio<'r> = &'r (dyn Fn(&[f64]) -> Result<Vec<Complex64>, String> + Sync);

/// What is left of a sound with the first recording's spectrum after the best gain and delay, where the second side has
/// `ratio` of the first at frequencies in Hz.
///
/// # Errors
/// The ratio has no answer.
pub fn foreseen<S: Samples + ?Sized>(
    first: &Channel<'_, S>,
    ratio: Ratio<'_>,
) -> Result<Foreseen, BenchError> {
    let rate = f64::from(first.rate_hz);
    let spectrum = power(first.samples)?;
    let (low, high) = (BAND_HZ.0, highest(rate));
    let within = bins(low, high, rate);
    let sampled = Sampled::new(ratio, rate / 2.0).map_err(|error| BenchError(error.to_string()))?;
    let step = rate / WINDOW as f64;
    let ratios: Vec<Complex64> = (0..spectrum.len()).map(|bin| sampled.at(bin as f64 * step)).collect();
    // For a delay d the best gain is Re C / sum P |r|^2, with C = sum P r e^(j w d); it leaves sum P - Re(C)^2 / sum P |r|^2.
    let turned = |bin: usize, delay: f64| {
        ratios[bin] * Complex64::cis(std::f64::consts::TAU * bin as f64 / WINDOW as f64 * delay)
    };
    let along: f64 = within.clone().map(|bin| spectrum[bin] * ratios[bin].norm_sqr()).sum();
    let alike = |delay: f64| within.clone().map(|bin| spectrum[bin] * turned(bin, delay).re).sum::<f64>();
    let place = |index: usize| REACH * (2.0 * index as f64 / STEPS as f64 - 1.0);
    let best =
        (0..=STEPS).max_by(|a, b| alike(place(*a)).abs().total_cmp(&alike(place(*b)).abs())).unwrap_or(0);
    let step = place(1) - place(0);
    let (delay, _) = peak(place(best) - step, place(best) + step, 40, |delay| alike(delay).abs());
    let gain = alike(delay) / along;
    let left = |range: std::ops::Range<usize>| -> (f64, f64) {
        range.fold((0.0, 0.0), |(own, left), bin| {
            (own + spectrum[bin], left + spectrum[bin] * (1.0 - gain * turned(bin, delay)).norm_sqr())
        })
    };
    let (whole, rest) = left(within);
    let bands = erb_edges(low, high)
        .windows(2)
        .map(|pair| {
            let (own, left) = left(bins(pair[0], pair[1], rate));
            (own > 1e-15 * whole).then(|| decibels(left / own))
        })
        .collect();
    Ok(Foreseen { residual_db: decibels(rest / whole), bands })
}
