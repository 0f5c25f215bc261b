//! Transforms of whole signals, padded with silence.

use num_complex::Complex64;

use crate::filter::plans;

/// The shortest length of at least `frames` that has no prime factor above 5 and is even.
pub fn good_length(frames: usize) -> usize {
    let mut length = frames.max(2).next_multiple_of(2);
    loop {
        let mut rest = length;
        for prime in [2, 3, 5] {
            while rest.is_multiple_of(prime) {
                rest /= prime;
            }
        }
        if rest == 1 {
            return length;
        }
        length += 2;
    }
}

/// Bins 0 to `length / 2` of the discrete transform of samples that are followed by silence up to `length`.
///
/// # Panics
/// `length` is shorter than the samples.
pub fn spectrum(samples: &[f64], length: usize) -> Vec<Complex64> {
    let transform = plans::forward(length);
    let mut input = transform.make_input_vec();
    input[..samples.len()].copy_from_slice(samples);
    let mut output = transform.make_output_vec();
    transform.process(&mut input, &mut output).expect("buffers are of the plan's own length");
    output
}

/// The `length` samples of which [`spectrum`] gives these bins.
///
/// # Panics
/// There are not `length / 2 + 1` bins.
pub fn signal(mut bins: Vec<Complex64>, length: usize) -> Vec<f64> {
    let transform = plans::inverse(length);
    bins[0].im = 0.0;
    if length.is_multiple_of(2) {
        bins[length / 2].im = 0.0;
    }
    let mut output = transform.make_output_vec();
    transform.process(&mut bins, &mut output).expect("buffers are of the plan's own length");
    let scale = 1.0 / length as f64;
    for sample in &mut output {
        *sample *= scale;
    }
    output
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_comes_back_from_its_spectrum() {
        for frames in [2, 3, 17, 1000, 4801] {
            let samples: Vec<f64> = (0..frames).map(|n| (n as f64 * 0.7).sin()).collect();
            let length = good_length(frames);
            assert!(length >= frames && length < 2 * frames + 2, "{frames}: {length}");
            let again = signal(spectrum(&samples, length), length);
            for (a, b) in samples.iter().zip(&again) {
                assert!((a - b).abs() < 1e-12, "{frames}");
            }
        }
    }
}
