//! Mean power spectra (Welch 1967, IEEE Transactions on Audio and Electroacoustics 15:70), block by block.

use std::sync::Arc;

use num_complex::Complex64;
use realfft::RealToComplex;

use crate::filter::plans;

/// Gathers the mean power spectrum of all channels under half-overlapping Hann windows. A rest that fills no window is left
/// out, unless it is all there is: then silence follows it.
pub struct Welch {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    /// What of each channel has not been at the front of a window yet.
    waiting: Vec<Vec<f64>>,
    power: Vec<f64>,
    windows: u64,
    /// What a window is transformed in.
    input: Vec<f64>,
    output: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl std::fmt::Debug for Welch {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("Welch")
            .field("length", &self.window.len())
            .field("windows", &self.windows)
            .finish_non_exhaustive()
    }
}

impl Welch {
    /// For a number of channels, with windows of so many samples.
    pub fn new(channels: usize, length: usize) -> Self {
        let window = (0..length)
            .map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos())
            .collect();
        let transform = plans::forward(length);
        Self {
            input: transform.make_input_vec(),
            output: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            transform,
            window,
            waiting: vec![Vec::new(); channels],
            power: vec![0.0; length / 2 + 1],
            windows: 0,
        }
    }

    /// Takes a block, `planes[channel][frame]`.
    pub fn push(&mut self, planes: &[&[f64]]) {
        for (waiting, plane) in self.waiting.iter_mut().zip(planes) {
            waiting.extend_from_slice(plane);
        }
        let length = self.window.len();
        let mut start = 0;
        while self.waiting.first().is_some_and(|waiting| waiting.len() >= start + length) {
            self.take(start);
            start += length / 2;
        }
        for waiting in &mut self.waiting {
            waiting.drain(..start);
        }
    }

    /// Transforms a window of each channel.
    fn take(&mut self, start: usize) {
        let Self { transform, input, output, scratch, .. } = self;
        for waiting in &self.waiting {
            let rest = &waiting[start..];
            input[rest.len().min(self.window.len())..].fill(0.0);
            for ((value, sample), weight) in input.iter_mut().zip(rest).zip(&self.window) {
                *value = sample * weight;
            }
            transform
                .process_with_scratch(input, output, scratch)
                .expect("buffers are of the plan's own length");
            for (sum, value) in self.power.iter_mut().zip(output.iter()) {
                *sum += value.norm_sqr();
            }
        }
        self.windows += 1;
    }

    /// Mean square of each bin, evenly spaced from 0 Hz to half the rate, averaged over windows and channels: their sum is
    /// the mean square of the sound.
    pub fn finish(mut self) -> Vec<f64> {
        if self.windows == 0 && self.waiting.first().is_some_and(|waiting| !waiting.is_empty()) {
            self.take(0);
        }
        let length = self.window.len();
        let squares: f64 = self.window.iter().map(|weight| weight * weight).sum();
        let count = (self.windows.max(1) * self.waiting.len().max(1) as u64) as f64;
        let scale = 1.0 / (length as f64 * squares * count);
        // One side of the spectrum stands for both, but for its ends.
        let sides = |bin: usize| if bin == 0 || bin == length / 2 { 1.0 } else { 2.0 };
        self.power.iter().enumerate().map(|(bin, power)| sides(bin) * scale * power).collect()
    }
}
