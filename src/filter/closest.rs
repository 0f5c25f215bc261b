//! The closest filter of a given length.
//!
//! A response that changes below 10 Hz has a memory of seconds, and what it remembers is no sound. So the taps are
//! sought that are closest to it from 10 Hz on (least squares over frequency), whatever they do below: the normal
//! equations by conjugate gradients (Hestenes & Stiefel 1952, J. Res. NBS 49:409), each step two transforms.

use num_complex::Complex64;

use super::plans;

/// Steps of the conjugate gradients; the error settles in fewer.
const STEPS: usize = 30;
/// The gradient may be so small, relative to the first, and nothing more is to be gained.
const SETTLED: f64 = 1e-9;

/// Circular taps of the spectrum's period that are 0 but for `ahead` of them before time 0 and `after` from there on,
/// as close as they can be to `wanted` (`period / 2 + 1` bins) at the bins from `lowest` on.
pub(super) fn closest(wanted: &[Complex64], lowest: usize, ahead: usize, after: usize) -> Vec<f64> {
    let period = 2 * (wanted.len() - 1);
    let (forward, backward) = (plans::forward(period), plans::inverse(period));
    let spectrum = |taps: &[f64]| {
        let mut input = taps.to_vec();
        let mut output = forward.make_output_vec();
        forward.process(&mut input, &mut output).expect("lengths fit the plan");
        output
    };
    // Back from a spectrum to the taps that may be other than 0: the adjoint of their spectrum where it matters.
    let back = |mut bins: Vec<Complex64>| {
        bins[..lowest].fill(Complex64::ZERO);
        bins[0].im = 0.0;
        bins[period / 2].im = 0.0;
        let mut output = backward.make_output_vec();
        backward.process(&mut bins, &mut output).expect("lengths and end bins fit the plan");
        for tap in &mut output {
            *tap /= period as f64;
        }
        output[after..period - ahead].fill(0.0);
        output
    };
    let power = |taps: &[f64]| taps.iter().map(|tap| tap * tap).sum::<f64>();
    let mut taps = vec![0.0; period];
    let mut gradient = back(wanted.to_vec());
    let mut direction = gradient.clone();
    let mut left = power(&gradient);
    let settled = left * SETTLED * SETTLED;
    for _ in 0..STEPS {
        if left <= settled {
            break;
        }
        let curved = back(spectrum(&direction));
        let step = left / direction.iter().zip(&curved).map(|(a, b)| a * b).sum::<f64>();
        for (tap, way) in taps.iter_mut().zip(&direction) {
            *tap += step * way;
        }
        for (slope, way) in gradient.iter_mut().zip(&curved) {
            *slope -= step * way;
        }
        let next = power(&gradient);
        for (way, slope) in direction.iter_mut().zip(&gradient) {
            *way = slope + next / left * *way;
        }
        left = next;
    }
    taps
}
