//! The bands of a response: their centres, and the transfer function in each from the bins of two spectra.
//!
//! Within a band the transfer function is a parabola (a straight line where the band has few bins) over the logarithm of
//! frequency, through every bin with the weight of the reference's energy.

use num_complex::Complex64;

use super::logarithmic;
use super::sweep::MEASURED_SHARE;

/// Lowest frequency that is measured, in Hz.
const LOWEST_HZ: f64 = 10.0;
/// A band with less energy than this share of the usual one (times frequency) is outside of the sweep.
const ENOUGH_ENERGY: f64 = 0.3;
/// Bins of a band from which on its transfer function may be bent: fewer would only follow their noise.
const ENOUGH_FOR_A_BEND: usize = 12;

/// Band centres in Hz that the reference has energy in.
pub(super) fn axis(reference: &[Complex64], length: usize, rate: f64, per_octave: f64) -> Vec<f64> {
    let step = rate / length as f64;
    // An exponential sweep has the same energy in each octave.
    let energy = |frequency: f64| {
        let half = 0.5_f64 / 12.0;
        let (low, high) = (frequency * (-half).exp2() / step, frequency * half.exp2() / step);
        let bins =
            low.ceil() as usize..=(high.floor() as usize).max(low.ceil() as usize).min(reference.len() - 1);
        let count = bins.clone().count().max(1) as f64;
        bins.map(|bin| reference[bin].norm_sqr()).sum::<f64>() / count * frequency
    };
    let highest = MEASURED_SHARE * rate;
    let frequencies = logarithmic(LOWEST_HZ, highest, per_octave);
    let mut energies: Vec<f64> = frequencies.iter().map(|frequency| energy(*frequency)).collect();
    let all = energies.clone();
    energies.sort_by(f64::total_cmp);
    let usual = energies[energies.len() / 2];
    frequencies
        .into_iter()
        .zip(all)
        .filter(|(_, energy)| *energy > ENOUGH_ENERGY * usual)
        .map(|pair| pair.0)
        .collect()
}

/// The transfer function at band centres, with a delay of `lag` samples taken out.
pub(super) fn banded(
    x: &[Complex64],
    y: &[Complex64],
    length: usize,
    rate: f64,
    lag: f64,
    frequencies: &[f64],
    per_octave: f64,
) -> Vec<Complex64> {
    let step = rate / length as f64;
    let half = (0.5 / per_octave).exp2();
    frequencies
        .iter()
        .map(|centre| {
            let mut low = (centre / half / step).ceil() as usize;
            let mut high = ((centre * half / step).floor() as usize).min(x.len() - 1);
            // A band narrower than the bins takes the two beside its centre.
            if high < low + 1 {
                low = (centre / step).floor() as usize;
                high = low + 1;
            }
            // Sums of the weights times powers of the distance from the centre, in half bands.
            let (mut weights, mut sums) = ([0.0; 5], [Complex64::ZERO; 3]);
            for bin in low..=high {
                let away = (bin as f64 * step / centre).ln() / half.ln();
                let turn = Complex64::cis(std::f64::consts::TAU * bin as f64 / length as f64 * lag);
                let (weight, cross) = (x[bin].norm_sqr(), y[bin] * turn * x[bin].conj());
                let mut power = 1.0;
                for (order, sum) in weights.iter_mut().enumerate() {
                    *sum += weight * power;
                    if let Some(sum) = sums.get_mut(order) {
                        *sum += cross * power;
                    }
                    power *= away;
                }
            }
            if high - low >= ENOUGH_FOR_A_BEND { bent(&weights, &sums) } else { straight(&weights, &sums) }
        })
        .collect()
}

/// The straight line's value at the centre.
fn straight([w0, w1, w2, ..]: &[f64; 5], [c0, c1, _]: &[Complex64; 3]) -> Complex64 {
    (c0 * w2 - c1 * w1) / (w0 * w2 - w1 * w1)
}

/// The parabola's value at the centre (least squares, by Cramer's rule).
fn bent([w0, w1, w2, w3, w4]: &[f64; 5], [c0, c1, c2]: &[Complex64; 3]) -> Complex64 {
    let (a, b, c) = (w2 * w4 - w3 * w3, w1 * w4 - w2 * w3, w1 * w3 - w2 * w2);
    (c0 * a - c1 * b + c2 * c) / (w0 * a - w1 * b + w2 * c)
}
